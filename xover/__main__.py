"""Picks a door, and answers `--version` before anything is imported.

Imports are deferred to the branch that needs them; everything that reaches the user as a fault,
an interruption or a closed pipe leaves here as one sentence and an exit code.
"""

import gc
import os
import sys

_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def main() -> None:
    """The `xover` command."""
    if sys.argv[1:] == ["--version"]:
        from xover.__about__ import __version__

        print(f"xover {__version__}")
        return
    try:
        import signal

        for name in _ONE_THREAD:  # two threads on a busy machine cost more than they give
            os.environ.setdefault(name, "1")
        path = _workbench_on(sys.argv[1:])
        if path is not None:
            os.environ.setdefault("TEXTUAL_FPS", "120")  # a frame waits half as long for its turn
            gc.disable()  # nearly all that is loaded stays; to collect on the way takes long
            from xover.tui.app import run_workbench

            code = run_workbench(path or None)
        else:
            from xover.cli.entry import run

            code = run()
    except KeyboardInterrupt:
        import signal

        print("xover: stopped.", file=sys.stderr)
        code = 2
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # nothing is left to interrupt but our own exit
    gc.freeze()  # what is left goes with the process; to search it for cycles first takes long
    sys.exit(code)


def _workbench_on(words: list[str]) -> str | None:
    """The preset to open the workbench on ("": the shipped example), or None for a command.

    A terminal at both ends and nothing but a path, or nothing at all; in a pipe `xover PRESET`
    prints instead.
    """
    from xover.cli.names import COMMANDS

    word = words[0] if words else ""
    if len(words) > 1 or word.startswith("-") or word in COMMANDS:
        return None
    if "_XOVER_COMPLETE" in os.environ or not (sys.stdin.isatty() and sys.stdout.isatty()):
        return None
    return word


if __name__ == "__main__":
    main()
