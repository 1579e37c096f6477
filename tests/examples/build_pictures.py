"""Writes the captures and pictures of the README's tour: `python -m tests.examples.build_pictures`.

The captures are computed in the demonstration room; the pictures show what the commands print on
a terminal, and one page of the entry sheet, for which chromium and pdftoppm are needed. Everything
shown is invented.
"""

from __future__ import annotations

import contextlib
import json
import os
import pty
import shlex
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import soundfile
from msgspec.structs import replace

import xover
from tests.examples.hall import PLACE
from tests.examples.room import WINDOW_RATE_HZ, WINDOW_SAMPLES, bins_hz, captured, electrical
from tests.examples.terminal_svg import terminal_svg
from xover.dsp.axis import Axis
from xover.dsp.response import output_stage
from xover.sheets.electrical import electrical_curves
from xover.sheets.formats import sheet
from xover.sheets.rows import sheet_of

ROOT = Path(__file__).resolve().parents[2]
PICTURES = ROOT / "docs" / "pictures"
TOUR = ROOT / "docs" / "tour"
COLUMNS, LINES = 100, 40
PAGE = "4"
LISTENER = {"name": "Row 8", "position_m": [-3, 14, 1.2]}
SUBS_M = (0.0, 2.0, 0.35)
"""On the tour the subs stand in front of the stage, nearer to the seats than the tops."""
CAPTURES = {"sub.wav": ("Sub", "Sub"), "top.wav": ("Top", "Top L")}
"""Which output of the tour's preset each file captures, and which of the hall's boxes played."""
NEW = "xover new --ways sub,top -o evening.json"
ATTACH = tuple(
    f'xover trace docs/tour/{name} --attach evening.json --output {output} --listener "Row 8" '
    "--captured settings --session tonight"
    for name, (output, _) in CAPTURES.items()
)
ALIGN = 'xover align evening.json --move Sub --to Top --listener "Row 8" --apply'
SHOWN = {
    "hall.svg": 'xover presets/harbour-hall.json --listener "Row 8"',
    "align.svg": ALIGN,
    "aligned.svg": 'xover response evening.json --listener "Row 8" --plot -',
    "array.svg": "xover array gradient presets/harbour-hall.json --output Sub --spacing 1.2 "
    "--plot -",
    "distance.svg": 'xover distance presets/harbour-hall.json --move "Delay L" --to "Top L" '
    '--listener "Row 24" --offset-ms 10',
}


def main() -> None:
    """Build everything anew, over what is there."""
    write_captures(TOUR)
    write_loop(TOUR)
    for name, picture in pictures().items():
        (PICTURES / name).write_text(picture, encoding="utf-8")
        print(f"wrote {PICTURES / name}", file=sys.stderr)
    write_workbench(PICTURES / "workbench.svg")
    write_sheet_page(PICTURES / "sheet.png")


def write_workbench(path: Path) -> None:
    """The workbench on the hall, as a dark terminal shows it; needs tmux."""
    tmux = shutil.which("tmux")
    if tmux is None:
        raise RuntimeError("tmux is needed to picture the workbench")
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        shutil.copy(xover.default_example(), place / "harbour-hall.json")
        socket = f"pictures-{os.getpid()}"
        keys: list[tuple[float, tuple[str, ...]]] = [(6.0, ("Right",)), (0.5, ("F3",)), (2.0, ())]
        environment = {**os.environ, "PYTHONPATH": str(ROOT), "COLORTERM": "truecolor"}
        environment["XDG_STATE_HOME"] = str(place)
        environment.pop("NO_COLOR", None)
        command = [tmux, "-L", socket]
        subprocess.run(
            [*command, "new-session", "-d", "-x", "140", "-y", "40",
             f"{sys.executable} -m xover harbour-hall.json"],
            check=True, cwd=place, env=environment,
        )  # fmt: skip
        try:
            for wait_s, words in keys:
                time.sleep(wait_s)
                if words:
                    subprocess.run([*command, "send-keys", *words], check=True)
            shown = subprocess.run(
                [*command, "capture-pane", "-p", "-e", "-N"],
                check=True,
                capture_output=True,
                text=True,
            ).stdout
        finally:
            subprocess.run([*command, "kill-server"], check=False)
    picture = terminal_svg("xover harbour-hall.json", shown, columns=140)
    path.write_text(picture, "utf-8")
    print(f"wrote {path}", file=sys.stderr)


def write_captures(folder: Path) -> None:
    """Two impulse responses in the hall's room, through the filters of a fresh preset."""
    folder.mkdir(parents=True, exist_ok=True)
    hall = xover.load(xover.default_example())
    with _evening() as place:
        evening = xover.load(place / "evening.json")
    moved = replace(
        hall,
        sources=tuple(
            replace(source, position_m=SUBS_M) if source.output == "Sub" else source
            for source in hall.sources
        ),
        listeners=evening.listeners,
        measurements=(),
    )
    generator = np.random.default_rng(8)
    responses = {}
    for name, (output, played) in CAPTURES.items():
        pressure = PLACE.heard(moved, played, "Row 8", temperature_c=evening.air.temperature_c)
        pressure = pressure * electrical(evening, output, {"Main": -20.0}, bins_hz())
        responses[name], _ = captured(pressure, bins_hz(), generator)
    largest = 0.0
    impulses = {}
    first = round(bins_hz()[0] * WINDOW_SAMPLES / WINDOW_RATE_HZ)
    for name, response in responses.items():
        spectrum = np.zeros(WINDOW_SAMPLES // 2 + 1, dtype=np.complex128)
        spectrum[first : first + response.size] = response
        impulses[name] = np.fft.irfft(spectrum)
        largest = max(largest, float(np.max(np.abs(impulses[name]))))
    for name, impulse in impulses.items():  # one factor for both: a session shares its level
        soundfile.write(
            folder / name, 0.5 * impulse / largest, int(WINDOW_RATE_HZ), subtype="PCM_24"
        )


def write_loop(folder: Path) -> None:
    """The hall's Top L captured at the processor, EQ 1 typed with the wrong sign."""
    hall = xover.load(xover.default_example())
    item = hall.output("Top L")
    first = item.eq[0]
    wrong = replace(item, eq=(replace(first, gain_db=-float(first.gain_db)), *item.eq[1:]))
    count, rate_hz = 16_384, 48_000
    frequency_hz = np.arange(1, count) * rate_hz / (2 * count)
    response = output_stage(wrong, Axis(frequency_hz, rate_hz))
    turn = np.exp(-2j * np.pi * frequency_hz * 0.0123)
    spectrum = np.concatenate([[0.0], response * turn, [0.0]])
    impulse = np.fft.irfft(spectrum)
    noise = np.random.default_rng(3).standard_normal(impulse.size)
    samples = 0.4 * impulse / np.max(np.abs(impulse)) + 2e-6 * noise
    soundfile.write(folder / "loop.wav", samples, rate_hz, subtype="PCM_24")


def pictures() -> dict[str, str]:
    """Every terminal picture by its name, in the order of the tour."""
    made = {}
    with _evening() as place:
        for line in ATTACH:
            _shown(line, place)
        for name, line in SHOWN.items():
            made[name] = terminal_svg(line, _shown(line, place), columns=COLUMNS)
    return made


@contextlib.contextmanager
def _evening() -> Iterator[Path]:
    """A folder that looks like the checkout, with the tour's preset before any capture."""
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        (place / "docs").mkdir()
        (place / "docs" / "tour").symlink_to(TOUR)
        (place / "presets").symlink_to(ROOT / "presets")
        _shown(NEW, place)
        path = place / "evening.json"
        document = json.loads(path.read_text("utf-8"))
        path.write_text(json.dumps(document | {"listeners": [LISTENER]}), encoding="utf-8")
        yield place


def _shown(line: str, folder: Path) -> str:
    """What a command line leaves on a terminal of `COLUMNS` by `LINES`, messages included."""
    words = shlex.split(line)
    assert words[0] == "xover"
    parent, child = pty.openpty()
    environment = {**os.environ, "COLUMNS": str(COLUMNS), "LINES": str(LINES), "TERM": "xterm"}
    environment.pop("NO_COLOR", None)
    environment["PYTHONPATH"] = str(ROOT)
    process = subprocess.Popen(
        [sys.executable, "-m", "xover", *words[1:]],
        stdin=subprocess.DEVNULL, stdout=child, stderr=child, cwd=folder, env=environment,
    )  # fmt: skip
    os.close(child)
    chunks = []
    while True:
        try:
            chunk = os.read(parent, 65_536)
        except OSError:  # Linux says so when the other side has gone
            break
        if not chunk:
            break
        chunks.append(chunk)
    os.close(parent)
    code = process.wait()
    text = b"".join(chunks).decode("utf-8").replace("\r\n", "\n")
    if code not in (0, 1):
        raise RuntimeError(f"{line} ended with {code}: {text}")
    return text


def write_sheet_page(path: Path) -> None:
    """One page of the hall's printed sheet, as a picture."""
    hall = xover.load(xover.default_example())
    rows = sheet_of(hall, date="17 August 2024", revision="example")
    with tempfile.TemporaryDirectory() as name:
        page, printed = Path(name) / "sheet.html", Path(name) / "sheet.pdf"
        page.write_bytes(sheet(rows, "html", curves=electrical_curves(hall)))
        chromium = shutil.which("chromium")
        if chromium is None:
            raise RuntimeError("chromium is needed to print the sheet's page")
        subprocess.run(
            [chromium, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer",
             f"--print-to-pdf={printed}", page.as_uri()],
            check=True, capture_output=True,
        )  # fmt: skip
        subprocess.run(
            ["pdftoppm", "-png", "-gray", "-r", "80", "-f", PAGE, "-l", PAGE, "-singlefile",
             "-x", "0", "-y", "0", "-W", "662", "-H", "560",
             str(printed), str(path.with_suffix(""))],
            check=True,
        )  # fmt: skip
        print(f"wrote {path}", file=sys.stderr)


if __name__ == "__main__":
    main()
