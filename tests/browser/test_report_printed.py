"""The report as a web page, printed by a browser: what lies on the counter is one page, and nothing is cut or blank."""

import io

import pdfplumber
import pytest

from baytrace.records.exporting import export_session
from baytrace.records.report.writing import ReportOptions
from record_kit import full_session, hard_session

pytestmark = [pytest.mark.browser, pytest.mark.filterwarnings("ignore")]  # pdfplumber warns of fonts


def printed(visit, session, folder, options):
    """The report's web page on paper, as pdfplumber reads it."""
    path = export_session(session.journal, session.id, folder, "html", options=options)
    page = visit("http://127.0.0.1").page
    page.goto(path.as_uri())
    return pdfplumber.open(io.BytesIO(page.pdf(prefer_css_page_size=True)))


@pytest.mark.parametrize("options", [ReportOptions(), ReportOptions("US", "letter")], ids=["A4", "letter"])
def test_the_customers_part_is_one_printed_page(visit, tmp_path, options):
    """Four tests with every figure, reason, a sheet and two signatures: the quality department's part begins the second page."""
    with printed(visit, full_session(), tmp_path, options) as paper:
        first, second = (page.extract_text() for page in paper.pages[:2])
        for text in ("What was done", "Coil resistances", "Signed off", "Q. Sample", "95 %:"):
            assert text in first
        assert "quality department" not in first
        assert second.startswith("For the quality department")


def test_nothing_is_cut_small_or_blank_on_paper(visit, tmp_path):
    """The hardest session: every character is 9 pt or more and inside the margins' page, and no page is empty."""
    with printed(visit, hard_session(), tmp_path, ReportOptions()) as paper:
        for page in paper.pages:
            letters = [char for char in page.chars if char["text"].strip()]
            assert letters, page.page_number
            sizes = {
                round(char["width"] if char["matrix"][1] else char["size"], 1) for char in letters if char["upright"]
            }
            assert min(sizes) >= 8.9, (page.page_number, sizes)
            assert min(char["x0"] for char in letters) >= 0.0
            assert max(char["x1"] for char in letters) <= float(page.width), page.page_number
