"""Reports: nothing cut or mixed, nothing fetched, letters large enough, both from one document."""

import re
import shutil
import subprocess
from html.parser import HTMLParser
from types import SimpleNamespace

import pdfplumber
import pytest

from baytrace.measure.faults import BadInput
from baytrace.measure.roles import Role
from baytrace.records.exporting import export_session
from baytrace.records.report import svg
from baytrace.records.report.accuracy_words import accuracy_shown
from baytrace.records.report.document import span
from baytrace.records.report.units_shown import System, number, restated, shown_unit
from baytrace.records.report.wording import VERIFY
from baytrace.records.report.writing import ReportOptions
from record_kit import full_session, hard_session, vacuum_session


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """The hard session in both systems and both kinds, and the plain leaking one."""
    folder = tmp_path_factory.mktemp("reports")
    hard, leak = hard_session(), vacuum_session(leak_pa_s=0.05)
    us = ReportOptions("US", "letter")
    return SimpleNamespace(
        us_pdf=export_session(hard.journal, hard.id, folder / "us", "pdf", options=us),
        us_html=export_session(hard.journal, hard.id, folder / "us", "html", options=us),
        si_pdf=export_session(hard.journal, hard.id, folder / "si", "pdf"),
        si_html=export_session(hard.journal, hard.id, folder / "si", "html"),
        leak_pdf=export_session(leak.journal, leak.id, folder / "leak", "pdf"),
    )


JOINT = "\u2060"
"Where a word may break."


class Text(HTMLParser):
    def __init__(self):
        super().__init__()
        self.parts, self.hidden, self.open = [], 0, []

    def handle_starttag(self, tag, attrs):
        self.hidden += tag == "style"
        if tag == "wbr":
            self.parts.append(JOINT)
        elif tag not in {"meta", "br"} and (tag, "/") not in attrs:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        pass

    def handle_endtag(self, tag):
        self.hidden -= tag == "style"
        assert self.open.pop() == tag

    def handle_data(self, data):
        if not self.hidden:
            self.parts.append(data)


def html_text(path):
    parser = Text()
    parser.feed(path.read_text(encoding="utf-8"))
    assert parser.open == []
    return " ".join(" ".join(parser.parts).replace(f" {JOINT} ", "").split())


def pdf_text(path):
    done = subprocess.run(["pdftotext", "-layout", path, "-"], capture_output=True, text=True, check=True)
    return done.stdout.replace("\u200b", "")


def test_the_first_page_is_for_the_customer(made):
    """What failed and why, with its key figure and interval, before anything else."""
    if shutil.which("pdftotext") is None:
        pytest.skip("needs pdftotext")
    first = pdf_text(made.leak_pdf).split("\f")[0]
    assert "The loop leaks: during the hold the pressure kept rising." in first
    assert re.search(r"Leak rate\s+\S+ Pa·m³/s\s+95 %: ", first)
    assert "Refrigerant recovered" in first
    assert "Q. Sample" in first


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("options", [ReportOptions(), ReportOptions("US", "letter")], ids=["A4", "letter"])
def test_what_the_customer_gets_is_one_page(tmp_path, options):
    """Four tests with every figure and reason, a sheet and two signatures; the quality department's part begins the second."""
    session = full_session()
    with pdfplumber.open(export_session(session.journal, session.id, tmp_path, "pdf", options=options)) as paper:
        first, second = (page.extract_text() for page in paper.pages[:2])
    assert "seen, the hold is to be done again" in first
    assert second.startswith("For the quality department")


SI_UNITS = r"Pa|hPa|kPa|MPa|bar|mbar|K|°C|degC|g|kg|mL|L|m|mm|kJ|J|Pa·m³/s|mbar·L/s"
US_UNITS = r"psi|psia|psig|micron|microns|inHg|°F|degF|oz|lb|fl oz|in³|ft|ft³|BTU"


@pytest.mark.parametrize("kind", ["html", "pdf"])
def test_units_are_never_mixed(made, kind):
    """No SI unit in a US report and no US unit in an SI one: figures, pictures, limits, accuracies, remarks, people's notes."""
    if kind == "pdf" and shutil.which("pdftotext") is None:
        pytest.skip("needs pdftotext")
    read = html_text if kind == "html" else pdf_text
    us, si = read(getattr(made, f"us_{kind}")), read(getattr(made, f"si_{kind}"))
    assert not re.search(rf"(?<![\w·/])({SI_UNITS})(?![\w·/-])(?<!\. g)", us.replace("M. Example", ""))
    assert not re.search(rf"(?<![\w·/])({US_UNITS})(?![\w·/-])", si)
    assert "348 psi" in us
    assert "2400 kPa" in si


def test_the_page_needs_nothing_else(made):
    """No script, no address to fetch, no colour scheme but light; hostile text is text."""
    page = made.us_html.read_text(encoding="utf-8")
    assert not re.search(r"<script|src=|@import|url\(|<link", page)
    assert set(re.findall(r"https?://[^\s\"<]+", page)) <= {"http://www.w3.org/2000/svg"}
    assert "a mark &lt;b&gt;with&lt;/b&gt; &amp; signs" in page
    assert "default-src 'none'" in page


def test_both_reports_say_the_same(made):
    """Every verdict, mark, alarm, gap and instrument is in both."""
    if shutil.which("pdftotext") is None:
        pytest.skip("needs pdftotext")
    page, paper = html_text(made.si_html), "".join(pdf_text(made.si_pdf).split())
    for text in [
        "Coils 1 to 4, 6 to 9",
        "low side still moving",
        "coil 29",
        "cable pulled and put back",
        "overdue",
        "fan switched on",
        "Not signed off.",
    ]:
        assert text in page
        assert text.replace(" ", "") in paper


def test_letters_are_nine_points_or_more(made):
    """On every page, pictures included; no page is empty and no word is cut by its edge.

    A word's box is 1.14 times as high as the letters of the serif face and as high as those of the face for commands; a
    turned word is at least as wide as 9 pt letters are high.
    """
    if shutil.which("pdftotext") is None:
        pytest.skip("needs poppler")
    commands = {word for line in VERIFY for word in line.split()}
    for pdf in (made.us_pdf, made.si_pdf):
        xml = subprocess.run(["pdftotext", "-bbox", pdf, "-"], capture_output=True, text=True, check=True).stdout
        for page in re.findall(r"<page (.*?)</page>", xml, flags=re.DOTALL):
            width, height = (float(side) for side in re.findall(r'(?:width|height)="([\d.]+)"', page)[:2])
            words = re.findall(r'xMin="([\d.-]+)" yMin="([\d.-]+)" xMax="([\d.-]+)" yMax="([\d.-]+)">(.*?)<', page)
            assert words
            for *sides, word in words:
                left, top, right, bottom = map(float, sides)
                assert max(bottom - top, right - left) >= (8.95 if word in commands else 10.2), word
                assert bottom - top >= 8.95 or right - left < 12.5, word
                assert left >= 0.0
                assert top >= 0.0
                assert right <= width
                assert bottom <= height


@pytest.mark.filterwarnings("ignore")  # the reader of PDF warns of what it does not know in fonts
def test_every_letter_is_set_in_nine_points_or_more(made):
    """By the size each character is set in, pictures included; seen by a reader of PDF that is not ours."""
    for pdf in (made.us_pdf, made.si_pdf, made.leak_pdf):
        with pdfplumber.open(pdf) as pages:
            for page in pages.pages:
                sizes = {round(set_size(char), 2) for char in page.chars if char["text"].strip()}
                assert sizes
                assert min(sizes) >= 8.99, (page.page_number, sizes)


def set_size(char):
    """In points; a turned letter's box lies on its side."""
    return char["width"] if char["matrix"][1] else char["size"]


@pytest.mark.filterwarnings("ignore")
def test_no_page_is_half_empty(made):
    """Between the customer's page and the last, what stands on a page reaches past the middle of it; none is blank."""
    for pdf in (made.us_pdf, made.si_pdf, made.leak_pdf):
        with pdfplumber.open(pdf) as pages:
            for page in pages.pages:
                foot = page.height - 60.0
                lowest = max((word["bottom"] for word in page.extract_words() if word["bottom"] < foot), default=0.0)
                assert lowest > 60.0, page.page_number
                if 1 < page.page_number < len(pages.pages):
                    assert lowest > 0.55 * page.height, page.page_number


def test_no_word_covers_another(made):
    """Boxes of words on a page do not overlap by more than the slack of their line."""
    if shutil.which("pdftotext") is None:
        pytest.skip("needs poppler")
    xml = subprocess.run(["pdftotext", "-bbox", made.us_pdf, "-"], capture_output=True, text=True, check=True).stdout
    for page in xml.split("<page ")[1:]:
        boxes = [
            tuple(map(float, box))
            for box in re.findall(r'xMin="([\d.-]+)" yMin="([\d.-]+)" xMax="([\d.-]+)" yMax="([\d.-]+)">\S{2,}<', page)
        ]
        for index, (left, top, right, bottom) in enumerate(boxes):
            for other in boxes[index + 1 :]:
                wide = min(right, other[2]) - max(left, other[0])
                high = min(bottom, other[3]) - max(top, other[1])
                assert not (wide > 1.5 and high > 0.6 * min(bottom - top, other[3] - other[1])), (page[:40], other)


def test_paper_is_as_asked(made):
    """Letter is 612 x 792 pt, A4 595 x 842."""
    for pdf, size in ((made.us_pdf, (612, 792)), (made.si_pdf, (595, 842))):
        found = re.search(rb"/MediaBox ?\[ ?0 0 ([\d.]+) ([\d.]+)", pdf.read_bytes())
        if found is None and shutil.which("pdfinfo"):
            said = subprocess.run(["pdfinfo", pdf], capture_output=True, text=True, check=True).stdout
            found = re.search(r"Page size:\s+([\d.]+) x ([\d.]+)", said)
        assert tuple(round(float(side)) for side in found.groups()) == size


def test_other_units_or_paper_are_refused():
    """One line that says what there is."""
    with pytest.raises(BadInput, match="SI or US"):
        ReportOptions("metric")
    with pytest.raises(BadInput, match="a4 or letter"):
        ReportOptions(paper="foolscap")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("below 67 Pa with the pump on", "below 503 micron with the pump on"),
        ("up to 12 kPa to come", "up to 1.74 psi to come"),
        ("superheat 6.2 K at 4.1 °C", "superheat 11.2 °F difference at 39.4 °F"),
        ("rise 0.6 Pa/min", "rise 4.5 micron/min"),
        ("9 min 38 s and 3 coils", "9 min 38 s and 3 coils"),
        ("R134a, 650 g", "R134a, 22.9 oz"),
        (
            "low side 2 bar absolute (± 0.1), expected 1 to 4: normal",
            "low side 29 psi absolute (± 1.45), expected 14.5 to 58: normal",
        ),
        ("vent air 10 °C ± 1 °C", "vent air 50 °F ± 1.8 °F"),
        ("from 200 to 300 kPa", "from 29 to 43.5 psi"),
        ("200-300 kPa", "29-43.5 psi"),
        ("at 1,5 kPa", "at 1,5 kPa"),
        ("at 1 500 kPa", "at 1 500 kPa"),
    ],
)
def test_sentences_are_restated_in_us_units(text, expected):
    """1 Pa is 7.50062 micron, 1 psi 6.894757 kPa, 1 oz 28.34952 g (NIST SP 811, B.8)."""
    assert restated(text, System.US) == expected
    assert restated(text, System.SI) == text.replace(
        "2 bar absolute (± 0.1), expected 1 to 4", "200 kPa absolute (± 10), expected 100 to 400"
    )


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("above 350 psi", "above 2413 kPa"),
        ("at 30 psig and 44.7 psia", "at 207 kPa gauge and 308 kPa absolute"),
        ("below 500 microns", "below 66.7 Pa"),
        ("vent at 41 °F, 50 degF", "vent at 5 °C, 10 °C"),
        ("22 to 23 oz in, 1.5 lb", "624 to 652 g in, 0.68 kg"),
        ("2.1 bar at 20 degC", "210 kPa at 20 °C"),
        ("R1234yf, coil 3, 12 V", "R1234yf, coil 3, 12 V"),
    ],
)
def test_words_in_us_units_are_restated_in_si(text, expected):
    """Rules and notes are written in the shop's units; 1 psi is 6.894757 kPa, 1 oz 28.34952 g (NIST SP 811, B.8)."""
    assert restated(text, System.SI) == expected


@pytest.mark.parametrize(
    ("text", "role", "si", "us"),
    [
        (
            "0.5 % of full scale (16 bar)",
            Role.LOW_SIDE,
            "0.5 % of full scale (1600 kPa)",
            "0.5 % of full scale (232.1 psi)",
        ),
        ("1 % FS (-1 to 35 bar)", Role.HIGH_SIDE, "1 % FS (−100 to 3500 kPa)", "1 % FS (−14.5 to 507.6 psi)"),
        (
            "10 % of reading + 1 micron",
            Role.SYSTEM_PRESSURE,
            "10 % of reading + 0.1333 Pa",
            "10 % of reading + 1 micron",
        ),
        ("1.1 K", Role.VENT_AIR, "1.1 K", "1.98 °F difference"),
        ("2 degF", Role.VENT_AIR, "1.111 K", "2 °F difference"),
        ("1 % FS (-50 to 150 degC)", Role.SUCTION_LINE, "1 % FS (−50 to 150 °C)", "1 % FS (−58 to 302 °F)"),
        ("2 g", Role.TANK_MASS, "2 g", "0.07055 oz"),
        ("0.2 % of reading + 0.02 ohm", Role.COIL_RESISTANCE, "0.2 % of reading + 0.02 Ω", "0.2 % of reading + 0.02 Ω"),
        ("3 %RH", Role.AMBIENT_HUMIDITY, "3 %RH", "3 %RH"),
        ("class B", Role.LIQUID_LINE, "class B", "class B"),
        (
            "1 °C or 0.75 % of reading",
            Role.AUXILIARY,
            "1 K or 0.75 % of reading",
            "1.8 °F difference or 0.75 % of reading",
        ),
        ("1 % FS (10 bar)", Role.AUXILIARY, "1 % FS (1000 kPa)", "1 % FS (145 psi)"),
    ],
)
def test_accuracies_are_in_the_readers_units(text, role, si, us):
    """A half-width of temperature is a difference, the ends of a range are points of the scale."""
    assert accuracy_shown(text, role, System.SI) == si
    assert accuracy_shown(text, role, System.US) == us


def test_figures_in_us_units():
    """0 degC is 32 degF; 1 Pa m3/s is 953 600 micron cubic feet an hour (7.50062 x 35.31467 x 3600)."""
    assert shown_unit("degC", System.US).of(0.0) == 32.0
    assert shown_unit("Pa*m3/s", System.US).of(1.0) == pytest.approx(953_567, rel=1e-4)
    assert shown_unit("g", System.US).of(28.349523125) == pytest.approx(1.0)


def test_numbers_have_the_digits_they_deserve():
    """Two digits of the half-width; without one, four in all and no idle zeros."""
    assert number(12.34567, 0.05) == "12.346"
    assert number(650.0) == "650"
    assert number(0.00001234) == "1.23·10⁻⁵"
    assert number(-3.0, 1.0) == "−3.0"
    assert number(float("inf")) == "open"
    assert [span(45), span(560), span(3900)] == ["45 s", "9 min 20 s", "1 h 5 min"]


def test_pictures_are_sound_svg():
    """Parsed as XML; a flat line, one point, gaps and a logarithm of nothing do no harm."""
    from xml.etree import ElementTree as ET

    nan = float("nan")
    for line in [
        svg.Line("flat", [0, 1], [5, 5]),
        svg.Line("one", [0], [1]),
        svg.Line("gap", [0, 1, 2], [1, nan, 2]),
        svg.Line("none", [], []),
    ]:
        for log in (False, True):
            drawn = svg.drawn(
                svg.Picture(
                    "a < b", "x", "y & z", [line], levels=[svg.Level("limit", 3.0)], marks=[(0.5, "1")], log=log
                )
            )
            assert ET.fromstring(drawn).tag.endswith("svg")
            assert "nan" not in drawn
    ticks = svg.nice_ticks(0.0, 1.0)
    assert ticks == pytest.approx([0, 0.2, 0.4, 0.6, 0.8, 1.0])
