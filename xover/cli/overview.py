"""A preset in the terminal: the sum at a listener above the figures that get entered.

What `xover PRESET` shows; without a name, the shipped example.
"""

from __future__ import annotations

import click

from xover.cli.common import example, listener_names, open_preset
from xover.cli.outcome import on_terminal, say, tell
from xover.model.names import inert_lines
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.sheets.wording import drive_sentence, sentence_case


@click.command(
    "PRESET",
    epilog=example('xover presets/harbour-hall.json --listener "Row 16"'),
)
@click.argument("preset", metavar="[PRESET]", required=False)
@click.option("--listener", metavar="NAME", help="Where to listen (default: mid-list).")
def command(preset: str | None, listener: str | None = None) -> None:
    """Show a preset: curves at a listener, and what is entered for each output."""
    import shutil

    from xover.design.responses import listener_response
    from xover.files.preset_json import load
    from xover.files.shipped import default_example
    from xover.model.drive import drive_of
    from xover.sheets.overview import overview_text
    from xover.sheets.response_plot import terminal_plot

    if preset is None:
        say("the shipped example; `xover --help` lists what can be done with a preset of yours")
        loaded = load(default_example())
    else:
        loaded = open_preset(preset)
    size = shutil.get_terminal_size((100, 40))
    width = max(60, min(size.columns, 160))
    if loaded.listeners:
        place = listener_names(loaded, [listener])[0] if listener else _middle(loaded)
        try:
            answer = listener_response(loaded, place)
        except Refused as refused:
            say(f"no curves at {place}: {refused}")
        else:
            height = max(18, size.lines // 2)
            click.echo(terminal_plot(loaded, answer, width, height, colour=on_terminal()))
            bases = ", ".join(f"{name} {kind}" for name, kind in answer.basis.items())
            say(f"at {place}: {bases}; `xover response --listener` has the notes that go with it")
    elif listener:
        listener_names(loaded, [listener])
    click.echo()
    click.echo(inert_lines(overview_text(loaded, width)))
    tell(sentence_case(drive_sentence(drive_of(loaded))))


def _middle(preset: Preset) -> str:
    """The listener in the middle of the list: not the front row, not the last."""
    return preset.listeners[(len(preset.listeners) - 1) // 2].name
