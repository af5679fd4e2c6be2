"""Pages, report templates and the manual, served without internet."""
