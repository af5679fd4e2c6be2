"""The manual says what the program does: every name in the code has its words, every word its name, every sample checks."""

import re
import shlex
import subprocess
import sys
import tomllib
from collections import Counter
from importlib.resources import files
from pathlib import Path
from types import SimpleNamespace

import httpx
import pytest
from markdown_it import MarkdownIt
from pydantic import TypeAdapter, ValidationError

import baytrace
import baytrace_adapters
from baytrace.adapter import LinkState, adapters
from baytrace.bench.alarms import BenchAlarms
from baytrace.bench.config import parse_config
from baytrace.bench.config_sections import SECTIONS, ChannelSection, InstrumentSection, WebSection
from baytrace.bench.presets import Preset
from baytrace.measure.accuracy import Accuracy
from baytrace.measure.faults import BadInput
from baytrace.measure.reading import Quality
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from baytrace.records.vocabulary import Kind
from baytrace.watches.alarms import Condition, State, Transition
from baytrace.watches.evacuation.decision import Cause
from baytrace.watches.limit_rules import Rule
from baytrace.watches.limits_table import limit, limits
from baytrace.watches.pressures import pattern
from baytrace.watches.trust import Standing
from baytrace.watches.watch import View, build, watches
from baytrace.web import manual as manual_pages
from baytrace.web.app import create_app
from baytrace.web.floor import Floor, floor_app
from baytrace.web.manual import FOLDER, GROUPS, Manual
from baytrace.web.reference import commands, fields, paths, settings, words
from baytrace.web.reference import watches as watch_pages
from baytrace_sim import scenario
from baytrace_sim.sensor import SensorKeys

MOST_PICTURE = 150_000
CODE = Path(baytrace.__file__).parent
README = {"README": (Path(__file__).resolve().parents[2] / "README.md").read_text(encoding="utf-8")}
"What holds for samples and commands of the manual holds for the README."


@pytest.fixture(scope="module")
def app():
    """The bench's own app; nothing is asked of the bench itself."""
    return create_app(SimpleNamespace(config=SimpleNamespace(web=WebSection(), path=Path)))


@pytest.fixture(scope="module")
def manual(app):
    return Manual(app)


@pytest.fixture(scope="module")
def texts(app):
    """Markdown of every page, also of those made from the code."""
    found = {file.stem: file.read_text(encoding="utf-8") for file in FOLDER.glob("*.md")}
    return found | {name: made.text(app) for name, made in manual_pages.MADE.items()}


def anchors(body):
    return re.findall(r' id="([^"]*)"', body)


def names(group, file="events"):
    return {word.name for word in words.words(file)[group]}


def asking(app):
    """A client that speaks to the app without a network."""
    return httpx.AsyncClient(transport=httpx.ASGITransport(app=app), base_url="http://127.0.0.1")


# ---- the reference and the code


def test_every_setting_has_words_a_unit_and_an_example(manual):
    """Each key of bench.toml and of the watches stands in the reference with meaning and example; a number tells its unit."""
    every = [(title, row) for title, _, rows in settings.groups() for row in rows]
    every += [(name, row) for name, watch in watches().items() for row in fields.entries(watch.Settings, name)]
    for title, row in every:
        assert len(row.meaning) > 8, f"{title}: {row.key} has no description"
        assert row.example, f"{title}: {row.key} has no example; add one to the manual's words/settings.toml"
        if row.takes.startswith("a number"):
            assert row.unit, f"{title}: {row.key} has no unit; add one to the manual's words/settings.toml"
    shown = [re.sub(r"-\d+$", "", each) for each in anchors(manual.page("settings").body + manual.page("watches").body)]
    for title, row in every:
        assert any(each.endswith(manual_pages.slug(row.key)) for each in shown), f"{title}: {row.key}"


def test_every_example_of_a_setting_is_taken():
    """No example has a name or a value that `check` or the watch would refuse."""
    file = tomllib.loads(
        files("baytrace_dashboards").joinpath("manual/words/settings.toml").read_text(encoding="utf-8")
    )
    models = dict(SECTIONS) | {
        "instrument": InstrumentSection,
        "channel": ChannelSection,
        "limit": Rule,
        "preset": Preset,
    }
    models |= {name: watch.Settings for name, watch in watches().items()}
    for name, adapter in adapters().items():
        group = f"{name}-adapter" if name in SECTIONS else name
        models |= {group: adapter.Settings, f"{group}-channel": adapter.ChannelKeys}
    for group, table in file.items():
        for key, said in table.items():
            field = models[group].model_fields[key]
            if "example" in said and group not in watches():
                validate(field, said["example"], f"{group}.{key}")
    for name in watches():
        needed = {"check": "scale", "known_mass_g": 1000.0} if name == "field_check" else {}
        for key, said in file.get(name, {}).items():
            build(name, needed | {key: said["example"]}, View())


def validate(field, value, where):
    try:
        TypeAdapter(field.annotation).validate_python(value)
    except ValidationError as error:
        pytest.fail(f"{where}: {error}")


def test_every_command_and_option_has_words(manual):
    """Each command, argument and option has a help text, and stands in the reference."""
    body = manual.page("commands").body
    assert len(commands.every_command()) >= 20
    for command in commands.every_command():
        assert len(command.words) > 8, f"{command.name} has no words"
        assert f"<code>{command.name}</code>" in body
        for option in command.options:
            assert len(option.words) > 4, f"{command.name} {option.name} has no help"


def test_every_path_has_its_answer_its_role_and_words_for_its_fields(app, manual):
    """Each HTTP path stands in the reference with what it answers and what each parameter means; no words are left over."""
    body = manual.page("http").body
    answered = set()
    for document in (app.openapi(), floor_app(Floor(), None).openapi()):
        for method, path, operation in paths.operations(document):
            answered.add(f"{method} {path}")
            assert operation["summary"], path
            assert len(paths.answer(method, path, operation)) > 12, f"{method} {path} has no answer in words/http.toml"
            for parameter in operation.get("parameters", ()):
                assert paths.meaning(parameter["name"], parameter.get("description", "")), (path, parameter["name"])
        for name in bodies(document):
            for field, schema in document["components"]["schemas"][name]["properties"].items():
                assert paths.meaning(field, schema.get("description", "")), f"{name}.{field} has no words"
    for method, path, _ in paths.operations(app.openapi()):
        assert f"<code>{method} {path}</code>" in body
    told = tomllib.loads((FOLDER / "words" / "http.toml").read_text(encoding="utf-8"))["answers"]
    assert set(told) - answered == set()


def bodies(document):
    """Names of the models that a request's body may be."""
    for _, _, operation in paths.operations(document):
        for kind in operation.get("requestBody", {}).get("content", {}).values():
            yield kind["schema"]["$ref"].rpartition("/")[2]


def test_the_role_a_path_needs_is_the_one_the_guard_asks_for():
    """Reading needs `view`, working `bench`, signing off `quality`; health and login need none."""
    assert paths.role_needed("GET", "/api/bench") == "view"
    assert paths.role_needed("POST", "/api/marks") == "bench"
    assert paths.role_needed("POST", "/api/sessions/{session}/sign-off") == "quality"
    assert paths.role_needed("GET", "/healthz") == "none"


def test_every_limit_stands_there_with_unit_and_source(manual):
    """Each default limit has its row with unit and source, and words beyond its name."""
    body = manual.page("watches").body
    for name, row in limits().items():
        group, _, key = name.partition(".")
        assert f"<code>{key}</code>" in body, name
        assert row.source in body.replace("&quot;", '"'), name
        assert group == "instruments" or len(watch_pages.meaning(row)) > 8, f"{name} has neither note nor setting"
    assert {group for group, said in watch_pages.others() if not said} == set()


def test_every_finding_has_words_and_every_word_a_finding():
    """The findings that the watches' code can give are those of the reference, watch by watch."""
    for name in watches():
        told = names(name, "findings") | names("any watch", "findings")
        given = findings_of(name)
        assert given - told == set(), f"{name}: no words for {given - told}"
        assert names(name, "findings") - given - {"undecided"} == set(), (
            f"{name} never says {names(name, 'findings') - given}"
        )
    coil = set(re.findall(r'(?:finding = |Coil\(position, )"([a-z]+)"', source("sweep")))
    assert coil | {"open", "low", "high"} == names("coil", "findings")


def source(watch):
    """The code of one watch, a module or a package."""
    package = CODE / "watches" / watch
    found = sorted(package.glob("*.py")) if package.is_dir() else [package.with_suffix(".py")]
    return "\n".join(file.read_text(encoding="utf-8") for file in found)


def findings_of(watch):
    """Texts the code of a watch gives as a finding: beside an outcome, or by a name it has for them."""
    text = source(watch)
    found = set(re.findall(r'Outcome\.[A-Z]+,\s+"([a-z ]+)"', text))
    found |= set(re.findall(r'Outcome\.[A-Z]+: "([a-z ]+)"', text))
    found |= {"undecided"}
    if watch == "evacuation":
        found |= set(Cause)
    if watch == "pressures":
        found |= {value for key, value in vars(pattern).items() if key.isupper() and isinstance(value, str)}
    if watch == "charge":
        found |= set(re.search(r'UNDER, OVER = "(\w+)", "(\w+)"', text).groups())
    if watch == "sweep":
        assert 'f"coil {bad[0].position} {bad[0].finding}"' in text
        assert 'f"a coil {kinds[0]}"' in text
        found |= {"coil N high", "a coil high", *re.findall(r'else "(no coil seen)"', text)}
    return {str(each) for each in found}


def test_every_kind_state_flag_and_counter_has_words():
    """Events, alarm states and actions, reading flags, wire states, calibration states and counters: no more, no less."""
    assert names("kinds of event") == set(Kind)
    assert names("alarm states") == set(State)
    assert names("alarm conditions") == set(Condition)
    told = re.search(r"`action` is (.+?)\.", " ".join(Transition.__doc__.split()))[1]
    assert names("alarm actions") == set(re.split(r", | or ", told))
    assert names("flags of a reading") == {flag.name for flag in Quality.__members__.values()}
    assert names("states of a wire") == set(LinkState)
    assert names("states of a calibration") == set(Standing)
    code = "\n".join(file.read_text() for file in Path(baytrace_adapters.__file__).parent.glob("*.py"))
    code += (CODE / "bench" / "daemon.py").read_text()
    counted = set(re.findall(r'\.count\(\s*"([a-z ]{4,})"', code))
    sink = set(re.findall(r'counts\["([a-z ]+)"\]', (CODE / "bench" / "sink.py").read_text()))
    assert names("counters of adapters") == counted | sink


def test_every_alarm_of_the_bench_itself_has_words():
    """The alarms the bench raises without anyone writing a limit."""
    config = SimpleNamespace(limits=[], channels=[SimpleNamespace(name="CHANNEL", role="auxiliary")])
    alarms = BenchAlarms(config, SimpleNamespace())
    assert names("alarms of the bench itself") == set(alarms.engine.book._alarms)


def test_every_metric_has_words():
    """The families /metrics gives are those of the reference."""
    given = re.findall(r'_metric\(\s*"(\w+)"', (CODE / "web" / "metrics.py").read_text(encoding="utf-8"))
    told = {word.name for group in words.words("metrics").values() for word in group}
    assert told == {f"baytrace_{name}" for name in given}


def test_every_status_an_answer_can_have_is_explained(app, texts):
    """Each error status the API describes stands in the table with what to do."""
    described = {
        status
        for _, _, operation in paths.operations(app.openapi())
        for status in operation["responses"]
        if status > "4"
    }
    assert {each for each in described if f"`{each}`" not in texts["http"]} == set()


def test_every_check_of_the_doctor_stands_on_the_service_page(texts):
    """What `doctor` looks at is what the page lists."""
    code = (CODE / "commands" / "_probes.py").read_text(encoding="utf-8")
    looked = set(re.findall(r'(?:Finding|_bad|_told)\(\s*"([A-Za-z ]+)"', code)) | {"port of INSTRUMENT"}
    assert len(looked) >= 12
    assert 'what = f"port of {plan.name}"' in code
    assert {each for each in looked if f"| {each} |" not in texts["service"]} == set()


@pytest.mark.parametrize(
    ("page", "words", "name"),
    [
        ("coils", "A lift under {} s is a bounce", "sweep.bounce_s"),
        ("coils", "A contact under {} s is a brush", "sweep.least_s"),
        ("coils", "within 1 % + {} ohm", "sweep.steady_ohm"),
        ("coils", "the contact ({} ohm)", "sweep.contact_ohm"),
        ("coils", "downwards by {} ohm", "sweep.lead_unknown_ohm"),
        ("coils", "Odd is more than {} robust", "sweep.odd_deviations"),
        ("charge", "up to {} g/s is creep", "charge.scale_at_rest"),
        ("charge", "({} g, common practice", "charge.tolerance_g"),
        ("charge", "up to {} s)", "charge.slowest_mode"),
        ("charge", "{} K of a temperature", "charge.settled_temperature_band"),
        ("hold", "widened for {} K of unseen drift", "evacuation.temperature_drift"),
        ("hold", "drift apart ({} K)", "evacuation.temperature_tracking"),
        ("hold", "from {} to 6 L", "evacuation.least_volume_l"),
        ("hold", "from 1 to {} L", "evacuation.most_volume_l"),
        ("hold", "or one that stands still for half the test | {} K", "pressure_hold.temperature_drift"),
        ("hold", "a swing of {} K. - *Unseen", "pressure_hold.far_swing"),
        ("faults", "`max_gap_s`** ({} s)", "evacuation.max_gap_s"),
        ("trust", "runs out within {} days", "decision.due_soon_days"),
        ("trust", "must have stood ({})", "field_check.rest_s"),
    ],
)
def test_figures_in_the_text_are_those_of_the_limits(texts, page, words, name):
    """Where a page tells a default limit in words, it tells the one in force."""
    assert words.format(f"{limit(name):g}") in " ".join(texts[page].split())


def test_every_way_to_write_an_accuracy_is_understood(texts):
    """What the table of the trust page spells out is what the program reads; what it calls refused is refused."""
    table = texts["trust"].partition("| written | means |")[2].partition("\n\n")[0]
    spelled = [each for line in table.splitlines()[2:] for each in re.findall(r"`([^`]+)`", line.split("|")[1])]
    assert len(spelled) >= 15
    kinds = {Role.HIGH_SIDE: "bar", Role.SUCTION_LINE: "degC", Role.AMBIENT_HUMIDITY: "%RH"}
    units = [unit_for(role, unit) for role, unit in kinds.items()]
    for text in spelled:
        assert any(understood(text, unit) for unit in units), text
    assert not understood("0.5 %", units[0])


def understood(text, unit):
    try:
        Accuracy.parse(text, unit=unit, resolution=0.01, span=16.0)
    except BadInput:
        return False
    return True


def test_every_key_of_a_scenario_stands_on_the_simulators_page(texts):
    """Who writes a scenario finds each key there."""
    models = [scenario.Scenario, scenario.Surroundings, scenario.LoopKeys, scenario.VacuumKeys, scenario.Vehicle]
    models += [scenario.TankKeys, scenario.CoilKeys, scenario.Disturbance, SensorKeys]
    keys = {key for model in models for key in model.model_fields}
    assert {key for key in keys if not re.search(rf"\b{key}\b", texts["simulator"])} == set()


def test_no_cell_of_the_reference_shows_how_the_program_keeps_it(texts):
    """A limit of several figures is told in words, and an instant of an address is not called a number."""
    for name in manual_pages.MADE:
        assert not re.search(r"[|:] \{'", texts[name]), name
    assert "| `shares_before` | nothing wrong 0.25, " in texts["watches"]
    assert texts["http"].count("| instant |") == 4


# ---- pages, links, pictures


def test_every_link_leads_somewhere(manual, app):
    """Each link within the manual, and each `see`, names a page and a heading or row that is there."""
    bodies = {name: manual.page(name).body for name in manual.titles()}
    for name, body in bodies.items():
        for page, anchor in re.findall(r'href="/manual/([a-z-]*)(?:#([^"]*))?"', body):
            assert page in bodies, f"{name}: no page {page!r}"
            assert not anchor or anchor in anchors(bodies[page]), f"{name}: {page} has no {anchor!r}"
        for anchor in re.findall(r'href="#([^"]*)"', body):
            assert anchor in anchors(body), f"{name}: no {anchor!r}"
        assert not re.findall(r'href="(?!/manual/|#|/api/|/openapi|https?://)', body), name
        assert not [each for each, times in Counter(anchors(body)).items() if times > 1], name
    assert {name for names in GROUPS.values() for name in names} == set(bodies), "each page has its place in the list"


def test_every_picture_is_used_described_and_small(texts):
    """Pictures are those the pages show, each with words for who cannot see it, none too large for a slow tablet."""
    shown = Counter()
    for name, text in texts.items():
        for alt, file in re.findall(r"!\[([^\]]*)\]\(/manual/pictures/([^)]+)\)", text):
            assert len(alt) > 30, f"{name}: {file} needs words"
            shown[file] += 1
    there = {file.name for file in (FOLDER / "pictures").iterdir()}
    assert set(shown) == there
    for file in (FOLDER / "pictures").iterdir():
        assert file.stat().st_size < MOST_PICTURE, file.name


async def test_pages_and_pictures_are_served(app):
    """Every page answers, a picture too; what is not there is a plain 404, and no path leads out of the folder."""
    async with asking(app) as client:
        for name in Manual(app).titles():
            answer = await client.get(f"/manual/{name}")
            assert answer.status_code == 200, name
            assert "<h1" in answer.text
        for file in (FOLDER / "pictures").iterdir():
            assert (await client.get(f"/manual/pictures/{file.name}")).status_code == 200
        assert (await client.get("/manual")).text == (await client.get("/manual/start")).text
        assert (await client.get("/manual/none")).status_code == 404
        assert (await client.get("/manual/pictures/..%2Fhold.md")).status_code == 404
        assert (await client.get("/manual/pictures/none.svg")).status_code == 404


async def test_the_floor_shows_the_same_manual_with_its_own_paths():
    """On the page of all benches the manual leads back there, and its list of paths is the floor's."""
    async with asking(floor_app(Floor(), None)) as client:
        start = (await client.get("/manual")).text
        assert ">Floor</a>" in start
        assert "/sessions" not in start
        assert "GET /api/floor" in (await client.get("/manual/http")).text


@pytest.mark.parametrize(
    ("asked", "first"),
    [
        ("elevation_m", "settings#bench-elevation-m"),
        ("baytrace export", "commands#baytrace-export"),
        ("not deep enough", "findings#evacuation-not-deep-enough"),
        ("leak_limit", "watches#settings-of-evacuation-leak-limit"),
        ("baytrace_channel_stale", "metrics#from-the-bench-baytrace-channel-stale"),
        ("clock_step", "events#kinds-of-event-clock-step"),
        ("/api/marks", "http#mark-that-something-happened-now"),
        ("how do I make a backup", "service#backup-and-restore"),
        ("what is a plateau", "glossary#glossary-plateau"),
        ("disk full quickly please", "faults#disk-full"),
    ],
)
def test_one_search_finds_settings_commands_findings_and_paths(manual, asked, first):
    """Whoever types a name gets to its entry, and who asks a question to its answer."""
    assert first in [passage.anchor for passage in manual.search(asked)[:6]]


async def test_a_search_answers_with_what_was_asked_and_nothing_else(app):
    """All words count, capitals do not, and what was typed is shown as text."""
    async with asking(app) as client:
        assert "0 places" in (await client.get("/manual/search", params={"q": "zzqx"})).text
        hostile = (await client.get("/manual/search", params={"q": "<script>alert(1)</script>"})).text
        assert "<script" not in hostile
        assert (await client.get("/manual/search", params={"q": "x" * 101})).status_code == 422
        assert "Type a setting" in (await client.get("/manual/search")).text
    every = Manual(app)
    assert [each.anchor for each in every.search("LEAK water")] == [each.anchor for each in every.search("water leak")]


@pytest.mark.slow
def test_the_pictures_are_drawn_by_one_command_the_same_every_time(tmp_path):
    """The command of the manual's pictures writes the same bytes twice."""
    program = Path(__file__).parents[1] / "benchmarks" / "manual_pictures.py"
    names = ("charge-loop", "charge-mass", "coils-stream", "hold-pool-dries", "trust-guard")
    for folder in ("one", "two"):
        subprocess.run([sys.executable, str(program), "--to", str(tmp_path / folder), *names], check=True, timeout=90)
    for name in names:
        drawn = (tmp_path / "one" / f"{name}.svg").read_bytes()
        assert drawn == (tmp_path / "two" / f"{name}.svg").read_bytes(), name
        assert drawn.startswith(b"<svg")


# ---- samples


def blocks(text):
    """Info and content of every code block."""
    for token in MarkdownIt("commonmark").enable("table").parse(text):
        if token.type in ("fence", "code_block"):
            yield token.info.strip(), token.content


def test_every_toml_sample_is_a_bench_that_checks(texts):
    """Each TOML block passes `check`; one without instruments is read beside a pair of transmitters."""
    seen = 0
    for name, text in (README | texts).items():
        for info, content in blocks(text):
            if info == "toml":
                whole = content if "[[instrument]]" in content else content + adapters()["modbus"].sample
                _, faults = parse_config(whole, Path("bench.toml"))
                assert not faults, f"{name}: {faults}\n{content}"
                seen += 1
    assert seen >= 8


def joined(content):
    """Lines of a block, those that a backslash continues as one."""
    return content.replace("\\\n", " ").splitlines()


def test_every_command_in_the_manual_exists_with_its_options(texts):
    """Each line that begins with `baytrace` in a block or in the text names a command that is there, and its options."""
    options = {each.name: {option.name.split()[0] for option in each.options} for each in commands.every_command()}
    groups = {name.rpartition(" ")[0] for name in options}
    seen = 0
    for page, text in (README | texts).items():
        lines = [line.removeprefix(".venv/bin/") for _, content in blocks(text) for line in joined(content)]
        lines += re.findall(r"`(baytrace [^`]*)`", text)
        for line in lines:
            if not re.match(r"\s*(sudo )?baytrace [a-z]", line):
                continue
            parts = shlex.split(re.sub(r"[\[\]|>]", " ", line.strip().removeprefix("sudo ")), comments=True)
            known = next((" ".join(parts[:n]) for n in (3, 2) if " ".join(parts[:n]) in options), "")
            assert known or " ".join(parts[:2]) in groups, f"{page}: {line}"
            used = {part.partition("=")[0] for part in parts if part.startswith("--")} - {"--help", "--version"}
            assert used <= options.get(known, set()), f"{page}: {line}"
            seen += 1
    assert seen >= 30


def test_every_block_says_what_it_is(texts):
    """A fenced block names its language, so that it is checked as what it is."""
    for name in manual_pages.written():
        for match in re.finditer(r"^```(\w*)$", texts[name], re.MULTILINE):
            fences = texts[name][: match.start()].count("\n```") + texts[name].startswith("```")
            assert match[1] or fences % 2, f"{name}: a block without a language"
        for info, content in blocks(texts[name]):
            assert info or not content.startswith("["), f"{name}: TOML that is not checked:\n{content}"


def test_this_versions_changes_are_told():
    """Whoever finds that figures of an older pack differ reads why; every version since the first has its part, newest first."""
    text = (FOLDER / "versions.md").read_text(encoding="utf-8")
    told = re.findall(r"^## (\d+\.\d+\.\d+)$", text, re.MULTILINE)
    assert told[0] == baytrace.__version__
    assert told[-1] == "0.1.0"
    assert told == sorted(told, reverse=True)
