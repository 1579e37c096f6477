"""Loudspeaker processing for people who have to set it up by hand.

The Python interface mirrors the commands: names are loaded when they are first used, so that
`import xover` costs next to nothing. Arrays are numpy's, units stand in the names.
"""

from __future__ import annotations

from xover.__about__ import __version__

TYPE_CHECKING = False  # `typing` costs more than everything else `xover --version` does

_HOMES = {
    "Preset": "xover.model.preset",
    "Refused": "xover.model.problems",
    "Fault": "xover.model.problems",
    "Finding": "xover.model.problems",
    "Drive": "xover.model.drive",
    "drive_of": "xover.model.drive",
    "load": "xover.files.preset_json",
    "loads": "xover.files.preset_json",
    "save": "xover.files.preset_json",
    "dumps": "xover.files.preset_json",
    "preset_schema": "xover.files.preset_schema",
    "default_example": "xover.files.shipped",
    "read_text": "xover.files.traces",
    "read_audio": "xover.files.audio",
    "Response": "xover.design.responses",
    "output_response": "xover.design.responses",
    "listener_response": "xover.design.responses",
    "log_frequencies": "xover.design.responses",
    "align": "xover.design.alignment",
    "apply_alignment": "xover.design.alignment",
    "delay_by_distance": "xover.design.distance",
    "apply_distance": "xover.design.distance",
    "limits": "xover.design.limits",
    "apply_limits": "xover.design.limits",
    "level": "xover.design.level",
    "level_map": "xover.acoustics.maps",
    "area_of": "xover.acoustics.area",
    "Band": "xover.acoustics.bands",
    "endfire": "xover.design.arrays",
    "gradient": "xover.design.arrays",
    "arc": "xover.design.arrays",
    "array_preset": "xover.design.array_preset",
    "advise": "xover.design.advice",
    "sweep_signal": "xover.design.signals",
    "pink_signal": "xover.design.signals",
    "Way": "xover.design.signals",
    "write_signal": "xover.files.signal_files",
    "deconvolve": "xover.dsp.sweep_capture",
    "read_capture": "xover.files.captures",
    "average": "xover.dsp.averaging",
    "spliced": "xover.dsp.splicing",
    "minimum_phase": "xover.dsp.minimum_phase",
    "load_profile": "xover.files.profile_json",
    "adapt": "xover.design.adapting.adaptation",
    "condense": "xover.design.verifying.points",
    "verify_output": "xover.design.verifying.verification",
    "compare": "xover.model.comparison",
    "Archive": "xover.files.archive.store",
}

__all__ = ["__version__", *_HOMES]

if TYPE_CHECKING:
    from xover.acoustics.area import area_of as area_of
    from xover.acoustics.bands import Band as Band
    from xover.acoustics.maps import level_map as level_map
    from xover.design.adapting.adaptation import adapt as adapt
    from xover.design.advice import advise as advise
    from xover.design.alignment import align as align
    from xover.design.alignment import apply_alignment as apply_alignment
    from xover.design.array_preset import array_preset as array_preset
    from xover.design.arrays import arc as arc
    from xover.design.arrays import endfire as endfire
    from xover.design.arrays import gradient as gradient
    from xover.design.distance import apply_distance as apply_distance
    from xover.design.distance import delay_by_distance as delay_by_distance
    from xover.design.level import level as level
    from xover.design.limits import apply_limits as apply_limits
    from xover.design.limits import limits as limits
    from xover.design.responses import Response as Response
    from xover.design.responses import listener_response as listener_response
    from xover.design.responses import log_frequencies as log_frequencies
    from xover.design.responses import output_response as output_response
    from xover.design.signals import Way as Way
    from xover.design.signals import pink_signal as pink_signal
    from xover.design.signals import sweep_signal as sweep_signal
    from xover.design.verifying.points import condense as condense
    from xover.design.verifying.verification import verify_output as verify_output
    from xover.dsp.averaging import average as average
    from xover.dsp.minimum_phase import minimum_phase as minimum_phase
    from xover.dsp.splicing import spliced as spliced
    from xover.dsp.sweep_capture import deconvolve as deconvolve
    from xover.files.archive.store import Archive as Archive
    from xover.files.audio import read_audio as read_audio
    from xover.files.captures import read_capture as read_capture
    from xover.files.preset_json import dumps as dumps
    from xover.files.preset_json import load as load
    from xover.files.preset_json import loads as loads
    from xover.files.preset_json import save as save
    from xover.files.preset_schema import preset_schema as preset_schema
    from xover.files.profile_json import load_profile as load_profile
    from xover.files.shipped import default_example as default_example
    from xover.files.signal_files import write_signal as write_signal
    from xover.files.traces import read_text as read_text
    from xover.model.comparison import compare as compare
    from xover.model.drive import Drive as Drive
    from xover.model.drive import drive_of as drive_of
    from xover.model.preset import Preset as Preset
    from xover.model.problems import Fault as Fault
    from xover.model.problems import Finding as Finding
    from xover.model.problems import Refused as Refused


def __getattr__(name: str) -> object:
    """Load a public name from its room at first use."""
    import importlib

    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'xover' has no attribute {name!r}")
    value = getattr(importlib.import_module(home), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted([*globals(), *_HOMES])
