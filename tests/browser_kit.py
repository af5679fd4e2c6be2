"""A real Chromium on a bench's pages, and one who works them as people do: by roles, labels and what is written there."""

import contextlib
import re
import time
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import sync_playwright

from servers import need

WIDTHS = {"desk": (1920, 1080), "tablet": (1024, 768), "phone": (390, 844)}
"""A screen on the wall, a tablet on its side, a telephone held upright (CSS pixels)."""
LOOPBACK = {"127.0.0.1", "localhost", "::1"}
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    # no name and no address but loopback can be reached: a shop without internet
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1, EXCLUDE localhost",
]
SETTLE_S = 20.0
"""How long something may take to show (s): machines that run these tests are busy."""

CALLS = """
[[limit]]
name = "Gauge above a tenth of the air"
channel = "system_pressure"
high = 75000
priority = "high"
"""
"A limit that calls as long as the loop is open, for the text of a bench.toml."

every_width = pytest.mark.parametrize("width", list(WIDTHS))


@contextlib.contextmanager
def chromium():
    """The system's own Chromium, headless."""
    program = need("chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=FLAGS)
        try:
            yield browser
        finally:
            browser.close()


class Visit:
    """A browser window on a bench, with every request and complaint it made."""

    def __init__(self, browser, url, width="desk", **keys):
        across, down = WIDTHS[width]
        self.context = browser.new_context(
            viewport={"width": across, "height": down}, base_url=url, accept_downloads=True, **keys
        )
        self.requests, self.complaints = [], []
        self.context.on("request", lambda request: self.requests.append(request))  # noqa: PLW0108 - needs a Python function
        self.context.on("console", self._console)
        self.context.on("weberror", lambda error: self.complaints.append(f"error {error.error}"))
        self.page = self.context.new_page()

    def _console(self, message):
        if message.type in ("error", "warning"):
            self.complaints.append(f"{message.type} {message.text} ({message.location.get('url', '')})")

    def open(self, path="/"):
        """Go there and wait until the page is complete but for its stream."""
        self.page.goto(path, wait_until="load")
        return self.page

    def left_loopback(self):
        """Addresses asked for that are not this machine's."""
        asked = {
            urlsplit(one.url) for one in self.requests if not one.url.startswith(("data:", "blob:", "about:", "file:"))
        }
        return sorted({part.netloc for part in asked if (part.hostname or "") not in LOOPBACK})

    def complained(self, *forgiven):
        """What the console said, but for what matches `forgiven`."""
        return [line for line in self.complaints if not any(re.search(each, line) for each in forgiven)]


class Technician:
    """Works the pages of a visit with a pointer."""

    def __init__(self, visit, name="Kim Aas"):
        self.visit, self.page, self.name = visit, visit.page, name

    # -- looking

    def sees(self, text, within_s=SETTLE_S):
        """Wait until `text` (a pattern) stands on the page."""
        pattern = re.compile(text, re.IGNORECASE)
        self.page.get_by_text(pattern).filter(visible=True).first.wait_for(timeout=within_s * 1000)

    def sentence(self):
        """All that is said about what is going on now."""
        return self.page.locator("#now").inner_text()

    def waits_for(self, text, within_s=SETTLE_S):
        """Wait until what is going on now reads like `text`; what it then says."""
        end, pattern = time.monotonic() + within_s, re.compile(text, re.IGNORECASE)
        while not pattern.search(said := self.sentence()):
            assert time.monotonic() < end, f"still says {said!r}"
            self.page.wait_for_timeout(100)
        return said

    def part(self, name):
        """A part of the job, such as `Evacuation`; pressed, it is what the page is about."""
        return self.page.get_by_role("region", name="Parts of the job").get_by_role("button", name=re.compile(name))

    def about(self, name):
        button = self.part(name)
        if button.get_attribute("aria-pressed") != "true":
            button.click()

    # -- working

    def starts(self, job, *, preset="", **fields):
        """Start a session from the form: a preset by its name, then fields by the beginning of their label."""
        page = self.page
        page.get_by_role("button", name="Start a session").click()
        form = page.get_by_role("dialog", name="Start a session")
        if preset:
            form.get_by_label("Start from").select_option(label=preset)
        form.get_by_label("Job", exact=True).fill(job)
        form.get_by_label("Technician").fill(self.name)
        for label, value in fields.items():
            field = form.get_by_label(re.compile("^" + re.escape(label.replace("_", " ")), re.IGNORECASE))
            field.filter(visible=True).first.fill(str(value))
        form.get_by_role("button", name="Start", exact=True).click()
        form.wait_for(state="hidden")
        page.get_by_role("button", name="End the session").wait_for()

    def marks(self, what):
        """Say that something happened: by a button where there is one, else in words."""
        button = self.page.get_by_role("button", name=re.compile(f"^(Mark now)? *{re.escape(what)}$", re.IGNORECASE))
        with self.page.expect_response(lambda answer: answer.url.endswith("/marks")) as told:
            if button.count():
                button.first.click()
            else:
                self.page.get_by_label("Another mark").fill(what)
                self.page.get_by_role("button", name="Mark it").click()
        assert told.value.status == 201, told.value.text()

    def acknowledges(self, alarm, comment):
        self._answers(self.calling(alarm), "Acknowledge", comment)

    def shelves(self, alarm, comment):
        self._answers(self.calling(alarm), "Shelve", comment)

    def _answers(self, line, how, comment):
        line.get_by_role("button", name=re.compile(f"^{how}")).click()
        dialog = self.page.get_by_role("dialog")
        dialog.get_by_label("Your name").fill(self.name)
        dialog.get_by_label(re.compile("^(Comment|Why)")).fill(comment)
        dialog.get_by_role("button", name=re.compile(f"^{how}")).click()
        dialog.wait_for(state="hidden")

    def calling(self, text):
        """An alarm that calls."""
        return self._alarm(re.compile("^Alarms calling"), text)

    def quiet(self, text):
        """An alarm that does not call; their list is unfolded."""
        heading = self.page.locator("summary").filter(has_text=re.compile("not call"))
        heading.wait_for()
        if heading.evaluate("node => !node.parentElement.open"):
            heading.click()
        return self._alarm(re.compile("not call"), text)

    def _alarm(self, region, text):
        listed = self.page.get_by_role("region", name=region).get_by_role("listitem")
        return listed.filter(has_text=re.compile(text, re.IGNORECASE)).first

    def ends(self, comment):
        """End the session; the page of its record follows."""
        self.page.get_by_role("button", name="End the session").click()
        dialog = self.page.get_by_role("dialog", name="End the session")
        dialog.get_by_label("Your name").fill(self.name)
        dialog.get_by_label("Comment").fill(comment)
        dialog.get_by_role("button", name="End it").click()
        self.page.wait_for_url("**/sessions/*")
        self.page.get_by_role("link", name=re.compile("Trace pack")).wait_for(timeout=SETTLE_S * 1000)

    def ticks(self, step):
        """On the page of a running session: a step is done."""
        self.page.get_by_role("button", name=re.compile(f"^Done: .*{step}", re.IGNORECASE)).first.click()
        listed = self.page.get_by_role("listitem").filter(has_text=re.compile(step, re.IGNORECASE))
        listed.filter(has_text="✓ done").first.wait_for()

    def finds(self, outcome):
        """The outcome that the page of a session gives in large letters."""
        self.page.get_by_role("heading", name=outcome).first.wait_for()

    def signs(self, comment):
        form = self.page.get_by_role("region", name="Sign-off")
        form.get_by_label("Your name").fill(self.name)
        form.get_by_label("Comment").fill(comment)
        form.get_by_role("button", name="Sign off").click()
        form.get_by_role("listitem").filter(has_text=comment).wait_for()

    def takes(self, what, folder):
        """Download it; where it lies now."""
        with self.page.expect_download(timeout=60_000) as coming:
            self.page.get_by_role("link", name=re.compile(what)).click()
        path = Path(folder) / coming.value.suggested_filename
        coming.value.save_as(path)
        return path
