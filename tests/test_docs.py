"""The documents against the program: commands, options, fields, examples, links, files, sources."""

from __future__ import annotations

import ast
import contextlib
import importlib
import inspect
import io
import json
import re
import shlex
import shutil
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import click
import pytest

import xover
from xover.cli.capture_options import COLUMNS
from xover.cli.entry import COMMANDS, root, run
from xover.files.shipped import presets_folder

ROOT = Path(__file__).resolve().parents[1]
DOCUMENTS = [
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    *sorted((ROOT / "docs").glob("*.md")),
    *sorted((ROOT / "docs" / "decisions").glob("*.md")),
]
README = (ROOT / "README.md").read_text("utf-8")
MANUAL = (ROOT / "docs" / "commands.md").read_text("utf-8")
ENGINE = (ROOT / "docs" / "engine.md").read_text("utf-8")
SOURCES = (ROOT / "docs" / "sources.md").read_text("utf-8")
MODULES = sorted((ROOT / "xover").rglob("*.py"))
BY_NAME = {
    "loss_before_db", "loss_after_db", "basis", "basis_at", "weights", "tolerance_movement_m",
    "distance_m", "inputs",
}  # fmt: skip
"""Objects in JSON answers whose keys are names and whose values are plain."""


def section(text: str, title: str) -> str:
    """What stands under a heading of second order, up to the next one."""
    parts = re.split(rf"^## {re.escape(title)}$", text, flags=re.MULTILINE)
    assert len(parts) == 2, f"“{title}” stands there {len(parts) - 1} times"
    return re.split(r"^## ", parts[1], flags=re.MULTILINE)[0]


def rows(text: str, heading: str) -> dict[str, str]:
    """The table under a heading cell: what stands in backticks in a row's first cell → the row."""
    found: dict[str, str] = {}
    for table in re.findall(rf"^\| {heading} \|.*\n\|[-|]+\n((?:\|.*\n)+)", text, re.MULTILINE):
        for line in table.splitlines():
            first = re.split(r"(?<!\\)\|", line)[1]
            for name in re.findall(r"`([^`]+)`", first):
                assert name not in found, f"{name} stands there twice"
                found[name] = line
    return found


def blocks(text: str, language: str = "") -> list[str]:
    fenced = re.findall(r"^```(\w*)\n(.*?)^```$", text, flags=re.MULTILINE | re.DOTALL)
    return [body for kind, body in fenced if kind == language]


def commands() -> list[tuple[str, click.Command]]:
    named = [(f"xover {name}", name) for name in COMMANDS] + [("xover PRESET", "overview")]
    return [(head, importlib.import_module(f"xover.cli.{name}").command) for head, name in named]


def every_option(command: click.Command) -> list[tuple[str, click.Option]]:
    """The options by name, those of all the commands of a group."""
    found = []
    for parameter in command.params:
        if isinstance(parameter, click.Option):
            assert parameter.help, f"{parameter.name} has no help"
            found.append((max(parameter.opts, key=len), parameter))
    if isinstance(command, click.Group):
        for part in command.commands.values():
            found += every_option(part)
    return found


def options(command: click.Command) -> dict[str, click.Option]:
    return dict(every_option(command))


# The README


def test_the_readme_has_the_agreed_form() -> None:
    title, paragraph = README.split("\n\n")[:2]
    assert title == "# xover"
    assert paragraph.startswith("xover sets up loudspeaker processing")
    assert [head for head in re.findall(r"^## (.*)$", README, re.MULTILINE)][:2] == ["Run", "Test"]
    for head in ("Run", "Test"):
        body = section(README, head)
        (only,) = blocks(body, "sh")
        assert body.strip() == f"```sh\n{only}```"
        assert len(only.splitlines()) == 1
        assert "'" not in only
    assert README.count("```sh") == 2


def test_the_python_lines_of_the_readme_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (code,) = blocks(README, "python")
    assert len([line for line in code.splitlines() if line.strip()]) == 5
    scope: dict[str, Any] = {}
    exec(code, scope)
    assert scope["sums"].magnitude_db.shape == (3,)
    assert xover.load(tmp_path / "aligned.json").output("Sub").delay_ms > 0.0


# The manual of the commands


def test_every_command_has_a_section_and_a_line_in_the_list() -> None:
    heads = [head for head in re.findall(r"^## (.*)$", MANUAL, re.MULTILINE)]
    assert [head for head in heads if head.startswith("xover ")] == [
        "xover PRESET",
        *(f"xover {name}" for name in COMMANDS),
    ]
    listed = rows(MANUAL.split("## What holds")[0], "Command")
    assert sorted(listed) == sorted(head for head in heads if head.startswith("xover "))


@pytest.mark.parametrize(("head", "command"), commands(), ids=str)
def test_every_option_is_described_and_none_besides(head: str, command: click.Command) -> None:
    described = rows(section(MANUAL, head), "Option")
    names = {name.split(" ")[0]: name for name in described}
    assert list(names) == sorted(names, key=list(names).index)
    assert set(names) == set(options(command))
    for name, option in every_option(command):
        row = described[names[name]]
        takes_value = not option.is_flag
        assert takes_value == (" " in names[name]), f"{head} {name}"
        if isinstance(option.type, click.Choice):
            for choice in option.type.choices:
                assert f"`{choice}`" in row, f"{head} {name}: {choice} is not named"
        for word in COLUMNS if name == "--columns" else ():
            assert f"`{word}`" in row, f"{head} {name}: {word} is not named"
        value = option.default
        if takes_value and isinstance(value, str | int | float) and value is not None:
            assert str(value) in row, f"{head} {name}: the default {value} is not named"
        if option.multiple:
            assert "repeatable" in row or "every" in row or "inputs" in row, f"{head} {name}"


def test_options_of_the_root_and_general_words_are_described() -> None:
    general = section(MANUAL, "What holds everywhere")
    for option in options(root):
        assert f"`xover {option}`" in general
    for word in ("`-h`", "`--help`", "`NO_COLOR`", "_XOVER_COMPLETE=bash_source"):
        assert word in general
    assert set(rows(general, "Code")) == set()
    assert re.findall(r"^\| ([0-9]) \|", general, re.MULTILINE) == ["0", "1", "2"]


def test_help_texts_name_only_commands_that_exist() -> None:
    """A sentence that sends somebody to a command that is not there is worse than none."""
    for path in (*MODULES, *DOCUMENTS):
        for word in re.findall(r"`xover ([a-z]+)\b", path.read_text("utf-8")):
            assert word in COMMANDS, f"{path.relative_to(ROOT)} speaks of `xover {word}`"


def test_the_codes_of_the_advice_are_those_of_the_rules() -> None:
    codes: set[str] = set()
    for path in (ROOT / "xover" / "design" / "advice").glob("*.py"):
        for call in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(call, ast.Call) and getattr(call.func, "id", "") == "Finding":
                code = call.args[0]
                ways = [code.body, code.orelse] if isinstance(code, ast.IfExp) else [code]
                codes |= {way.value for way in ways if isinstance(way, ast.Constant)}
    assert len(codes) > 20
    assert set(rows(section(MANUAL, "xover check"), "Code")) == codes


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the shipped presets and the captures of the tour, as a checkout has them."""
    shutil.copytree(presets_folder(), tmp_path / "presets")
    shutil.copytree(ROOT / "docs" / "tour", tmp_path / "docs" / "tour")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def follow(document: str, folder: Path) -> list[str]:
    """Run every command line of a document in its order, edits of a preset between them too."""
    done: list[str] = []
    fenced = re.findall(r"^```(\w*)\n(.*?)^```$", document, flags=re.MULTILINE | re.DOTALL)
    for kind, body in fenced:
        if kind == "json":
            path = folder / "evening.json"
            edit = json.loads(f"{{{body}}}")
            text = json.loads(path.read_text("utf-8"))
            assert all(text[key] == [] for key in edit), "the edit replaces nothing empty"
            path.write_text(json.dumps(text | edit), encoding="utf-8")
        for line in body.splitlines() if kind == "" else ():
            words = shlex.split(line.split(" > ")[0])
            assert words.pop(0) == "xover", line
            out, err = io.TextIOWrapper(io.BytesIO()), io.StringIO()
            with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
                code = run(words)
            assert code in (0, 1), f"{line}: {err.getvalue()}"
            done.append(line)
    return done


def test_the_tour_of_the_readme_leads_to_an_aligned_sheet(place: Path) -> None:
    """The captures were computed in a room with the sub nearer, so it has to wait."""
    done = follow(section(README, "A tour"), place)
    assert len(done) == 17
    preset = xover.load(place / "evening.json")
    assert {one.output for one in preset.measurements} == {"Sub", "Top"}
    # The sub stood 3.9 m nearer than the top: within half a period of 100 Hz of that flight.
    assert 3.0 < preset.output("Sub").delay_ms < 16.0
    again = xover.align(preset, move=["Sub"], to="Top", listeners=["Row 8"]).results[0]
    assert again.delay_ms < 0.001
    assert again.loss_after_db["Row 8"] < 0.2
    assert "Linkwitz-Riley" in (place / "evening.html").read_text("utf-8")


def test_every_example_of_the_manual_runs(place: Path) -> None:
    done = follow(MANUAL, place)
    for name in COMMANDS:
        assert any(line.startswith(f"xover {name} ") or line == f"xover {name}" for line in done)


# JSON fields


def fields(value: Any, path: str = "") -> set[str]:
    """The field names of a JSON answer: `[]` for items, `*` for names."""
    if isinstance(value, list) and any(isinstance(item, dict) for item in value):
        return set().union(*(fields(item, f"{path}[]") for item in value))
    if not isinstance(value, dict) or path.split(".")[-1] in BY_NAME:
        return {path}
    if path == "settings":
        value = {"*": next(iter(value.values()))}
    start = f"{path}." if path else ""
    return set().union(*(fields(item, f"{start}{key}") for key, item in value.items()))


@pytest.mark.parametrize(
    ("name", "line"),
    [
        ("check", "presets/hillside-chapel.json"),
        ("response", "presets/harbour-hall.json --output Sub --frequencies 100"),
        ("align", 'presets/harbour-hall.json --move Sub --to "Top L" --listener "Row 8"'),
        (
            "distance",
            'presets/harbour-hall.json --move "Delay L" --to "Top L" --listener "Row 24" '
            '--show-temperature 15 --lift-db 3 --line "Row 8" "Row 24"',
        ),
        ("map", "presets/harbour-hall.json --band 63 --step 4"),
        ("array", "gradient presets/harbour-hall.json --output Sub"),
        ("limits", "presets/harbour-hall.json"),
        ("level", 'presets/harbour-hall.json --listener "Row 8" --input-level-dbu -10'),
        ("trace", "docs/tour/sub.wav"),
        ("verify", 'presets/harbour-hall.json --drive Left --output "Top L" docs/tour/loop.wav'),
        (
            "adapt",
            "presets/harbour-hall.json --processor presets/processors/old-ferry-2x6.json",
        ),
    ],
)
def test_the_fields_of_json_answers_are_described(
    name: str, line: str, place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run([name, *shlex.split(line), "--json"]) in (0, 1)
    found = fields(json.loads(capsys.readouterr().out))
    described = set(rows(section(MANUAL, f"xover {name}"), "Field"))
    if name in ("distance", "level"):  # the list repeats what stands at the top
        repeated = {field for field in found if field.startswith("results[].")}
        assert {field.removeprefix("results[].") for field in repeated} < found
        found = (found - repeated) | {"results[]"}
    if name == "adapt":  # inputs have the fields of outputs, but lists that may be empty here
        outputs = {field for field in described if field.startswith("outputs[].")}
        inputs = {field.replace("outputs[].", "inputs[].", 1) for field in outputs}
        inputs = {field.replace("[].output", "[].input") for field in inputs}
        assert inputs == {field for field in described if field.startswith("inputs[].")}
        found = {field for field in found if not field.startswith("inputs[].")}
        described -= inputs
    assert found == described


def test_every_command_with_json_has_a_table_of_fields() -> None:
    for head, command in commands():
        with_json = "--json" in options(command)
        assert with_json == ("| Field |" in section(MANUAL, head)), head


# Links, files, names


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.name)
def test_links_lead_somewhere(path: Path) -> None:
    text = path.read_text("utf-8")
    for target in re.findall(r"\]\(([^)]+)\)", text):
        assert "://" not in target, f"{target} leads out of the project"
        name, _, anchor = target.partition("#")
        aim = (path.parent / name).resolve() if name else path
        assert aim.is_file(), f"{target} leads nowhere"
        assert aim.is_relative_to(ROOT)
        if anchor:
            heads = re.findall(r"^#+ (.*)$", aim.read_text("utf-8"), re.MULTILINE)
            assert anchor in {re.sub(r"[^\w -]", "", h.lower()).replace(" ", "-") for h in heads}


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.name)
def test_no_document_names_a_file_that_does_not_exist(path: Path) -> None:
    text = path.read_text("utf-8")
    named = re.findall(r"`((?:[\w.-]+/)+[\w.-]*)`", text)
    modules = re.findall(r"python -m ((?:tests|xover)[.\w]+)", text)
    for name in (*named, *(f"{one.replace('.', '/')}.py" for one in modules)):
        if "NAME" in name or name.startswith(".venv/"):  # a place-holder, or made by the reader
            continue
        module = f"{name.rpartition('.')[0]}.py"  # of `model/names.inert`
        places = [ROOT / name, ROOT / "xover" / name, ROOT / "xover" / module]
        assert any(place.exists() for place in places), f"{name} does not exist"


@pytest.mark.parametrize("name", xover.__all__)
def test_every_public_name_is_there_and_says_what_it_is(name: str) -> None:
    value = getattr(xover, name)
    if name == "__version__":
        assert re.fullmatch(r"\d+\.\d+\.\d+", value)
        return
    text = inspect.getdoc(value)
    assert text, f"{name} has no docstring"
    assert text[0].isupper() or text[0] in "`20"
    assert len(text) > 20
    if inspect.isfunction(value):
        assert not str(inspect.signature(value)).startswith("(*args")


# Sources


def test_keys_of_the_engine_are_sources_and_sources_are_used() -> None:
    keys = re.findall(r"^\| \[(\w+)\] \|", SOURCES, re.MULTILINE)
    assert len(set(keys)) == len(keys) > 15
    used = set(re.findall(r"\[([A-Z][A-Z0-9]*[a-z]?[A-Z0-9]*)\](?!\()", ENGINE))
    assert used <= set(keys), used - set(keys)
    assert len(used) > 10
    for line in re.findall(r"^\| \[\w+\] .*$", SOURCES, re.MULTILINE):
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        assert len(cells) == 4
        assert all(cells)
        known = cells[3]
        ways = ("read", "second cop", "from memory", "in a second copy", "through", "–")
        assert any(way in known for way in ways), known


def test_every_standard_and_paper_named_in_the_code_is_in_the_list() -> None:
    pattern = re.compile(
        r"ISO \d+(?:-\d)?|IEC \d+(?:-\d)?|ITU-R [\w.]+-\d|JAES \d+\(\d+\)|J\. Acoust\. Soc\. Am\. "
        r"\d+\(\d\)|Proc\. IEE|Audio EQ Cookbook|CommonMark|Okabe|Oppenheim|draft 2020-12|OWASP"
    )
    named: set[str] = set()
    tests = [path for path in (ROOT / "tests").rglob("*.py") if path != Path(__file__)]
    for path in (*MODULES, *tests):
        named |= set(pattern.findall(path.read_text("utf-8")))
    assert len(named) > 10
    bare = SOURCES.split("## Common practice")[0].replace("*", "")
    missing = [one for one in sorted(named) if one.replace("*", "") not in bare]
    assert missing == [], "named in code or tests, but not in docs/sources.md"


def test_rules_of_thumb_in_the_code_are_in_the_list() -> None:
    listed = re.findall(r"`(xover/[^`]+)`", section(SOURCES, "Common practice"))
    assert len(listed) > 8
    for path in MODULES:
        if "common practice" in path.read_text("utf-8"):
            name = path.relative_to(ROOT).as_posix()
            assert any(name == one or name.startswith(one) for one in listed), (
                f"{name} states common practice; add it to the table in docs/sources.md"
            )
    for one in listed:
        assert (ROOT / one).exists()


# Pictures


def test_pictures_are_small_and_whole() -> None:
    shown = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", README)
    assert sorted(shown) == sorted(
        path.relative_to(ROOT).as_posix() for path in (ROOT / "docs" / "pictures").iterdir()
    )
    for name in shown:
        data = (ROOT / name).read_bytes()
        assert len(data) < 200_000
        if name.endswith(".svg"):
            assert ElementTree.fromstring(data).tag == "{http://www.w3.org/2000/svg}svg"
        else:
            assert data.startswith(b"\x89PNG\r\n\x1a\n")


def test_pictures_show_what_the_commands_print() -> None:
    """Renewed by `python -m tests.examples.build_pictures`; dots of curves may round apart."""
    pytest.importorskip("pty")  # the commands run on a terminal of their own
    from tests.examples import build_pictures

    for name, picture in build_pictures.pictures().items():
        kept = (ROOT / "docs" / "pictures" / name).read_text("utf-8")
        assert _words(kept) == _words(picture), f"{name} is out of date"


def _words(picture: str) -> list[str]:
    """The texts of a picture: all that is said, without the curves' dots."""
    return [text for text in ElementTree.fromstring(picture).itertext() if text.strip()]
