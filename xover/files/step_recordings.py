"""A recording of a staircase of sines, with the note of the file that was played."""

from __future__ import annotations

import numpy as np

from xover.design.verifying.limiters import StepRecording
from xover.dsp.limiter_steps import Held
from xover.files.audio import chosen_channel, open_audio, read_audio
from xover.files.signal_files import read_note
from xover.model.problems import Refused


def read_steps(path: str, played: str, *, channel: int | None = None) -> StepRecording:
    """The samples of a recording, and what was played: a file of `signal steps` with its note.

    Raises `Refused` where either cannot be read, the note is missing or of another signal.
    """
    with open_audio(played) as file:
        found = read_note(played, file)
        if found is None:
            raise Refused.at(
                file.name,
                "there is no note on what this file plays; name the file that `xover signal steps` "
                "wrote, with the one beside it",
            )
        note = found[0]
        if not note.steps or note.frequency_hz is None:
            raise Refused.at(file.name, f"this is no staircase but {note.text or note.kind}")
        rate_hz = file.sample_rate_hz
    steps = tuple(
        Held(one.at_sample / rate_hz, one.samples / rate_hz, one.level_dbfs) for one in note.steps
    )
    audio = read_audio(path)
    number = chosen_channel(audio.name, channel, audio.samples.shape[0])
    return StepRecording(
        np.asarray(audio.samples[number - 1], dtype=np.float64),
        audio.sample_rate_hz,
        note.frequency_hz,
        steps,
    )
