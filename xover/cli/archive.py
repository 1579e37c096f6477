"""`xover archive`: every tuned preset of every venue, with all its revisions."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from typing import TYPE_CHECKING, Any, TypeVar

import click

from xover.cli.common import example, json_option
from xover.cli.outcome import Exit, print_json, say, tell
from xover.model.problems import Refused

if TYPE_CHECKING:
    from xover.files.archive.index import Progress, Row
    from xover.files.archive.store import Archive
    from xover.model.preset import Preset

F = TypeVar("F", bound=Callable[..., Any])


def place_option(function: F) -> F:
    """`--archive DIR`, on every command here."""
    return click.option(
        "--archive",
        "folder",
        metavar="DIR",
        help="The archive's folder (default: XOVER_ARCHIVE, or the user's own).",
    )(function)


@click.group(
    epilog=example('xover archive save presets/harbour-hall.json --note "first night"'),
)
def command() -> None:
    """Keep every revision of every preset: save, list, search, compare, restore.

    A folder of plain files that are written once and never changed; it may lie on a stick or in a
    synchronised folder. Times and dates are UTC.
    """


@command.command(short_help="a preset as a further revision")
@click.argument("file", metavar="FILE")
@click.option("--note", default="", metavar="TEXT", help="What was done, for the next engineer.")
@click.option("--author", metavar="NAME", help="By whom (default: the preset's author).")
@place_option
@json_option
def save(file: str, note: str, author: str | None, folder: str | None, as_json: bool) -> int:
    """Save the preset FILE as a further revision; exit code 1 where nothing has changed.

    The file's based_on is set to the revision, so that the next one knows its parent.
    """
    from xover.cli.common import open_preset

    preset = open_preset(file)
    with opened(folder) as archive, _bar("reading the archive") as progress:
        archive.refresh(progress)
        saved = archive.save(preset, note=note, author=author)
        where = archive.folder
    written = not saved.is_new or _write_back(file, preset, saved.id)
    if as_json:
        print_json(
            {
                "revision": saved.id,
                "parent": saved.parent,
                "new": saved.is_new,
                "heads": saved.heads,
                "path": saved.path,
                "based_on_written": written,
            }
        )
    elif saved.is_new:
        click.echo(f"saved as {saved.id} in {where}")
    else:
        click.echo(f"nothing changed since {saved.id}")
    if saved.is_new and saved.heads > 1:
        say(f"this preset now has {saved.heads} heads: revisions that no other follows")
    return int(Exit.DONE if saved.is_new else Exit.ATTENTION)


def _write_back(file: str, preset: Preset, revision: str) -> bool:
    """Set `based_on` in the file; where that cannot be the revision stands, and this is said."""
    from msgspec.structs import replace

    from xover.files.preset_json import save as save_preset
    from xover.files.shipped import shipped

    if file == "-" or (not os.path.exists(file) and shipped(file) is not None):
        say("the preset came from elsewhere, so its based_on was not written; the revision stands")
        return False
    try:
        save_preset(replace(preset, based_on=revision), file, overwrite=True)
    except Refused as error:
        say(f"the revision stands, but its name could not be written into the file: {error}")
        return False
    return True


@command.command(name="list", short_help="what there is, the newest first")
@click.option("--venue", metavar="NAME", help="Only this venue.")
@click.option("--preset", "title", metavar="TITLE", help="Only presets of this title.")
@click.option("--all", "every", is_flag=True, help="Every revision, not only the last ones.")
@click.option("--since", metavar="DATE", help="From this day on (2026-11-25).")
@click.option("--until", metavar="DATE", help="Up to and with this day.")
@place_option
@json_option
def list_(
    venue: str | None,
    title: str | None,
    every: bool,
    since: str | None,
    until: str | None,
    folder: str | None,
    as_json: bool,
) -> None:
    """List what there is, newest first: one line a preset, or with --all a revision."""
    _show(folder, (), venue, title, every, since, until, as_json)


@command.command(short_help="find presets by words")
@click.argument("words", metavar="WORD…", nargs=-1, required=True)
@click.option("--venue", metavar="NAME", help="Only this venue.")
@click.option("--all", "every", is_flag=True, help="Every revision, not only the last ones.")
@click.option("--since", metavar="DATE", help="From this day on (2026-11-25).")
@click.option("--until", metavar="DATE", help="Up to and with this day.")
@place_option
@json_option
def search(
    words: tuple[str, ...],
    venue: str | None,
    every: bool,
    since: str | None,
    until: str | None,
    folder: str | None,
    as_json: bool,
) -> None:
    """Find presets by words of venue, title, author, notes, tags or loudspeakers.

    Every word must be found, each as the beginning of one.
    """
    _show(folder, words, venue, None, every, since, until, as_json)


def _show(
    folder: str | None,
    words: tuple[str, ...],
    venue: str | None,
    title: str | None,
    every: bool,
    since: str | None,
    until: str | None,
    as_json: bool,
) -> None:
    from xover.files.archive.index import Index, answered

    where = _place(folder)
    index = Index.of(where)
    try:
        with answered(), _bar("reading the archive") as progress:
            index.refresh(progress, whole=False)
            sought = partial(
                index.rows,
                words=[word for text in words for word in text.split()],
                venue=venue,
                title=title,
                since=_day(since, "--since"),
                until=None if until is None else f"{_day(until, '--until')}T23:59:59Z",
            )
            rows = sought(every=every)
            earlier = 0 if rows or every else len(sought(every=True))
            damaged = index.damaged()
            later = {row.id: index.following(row.id) for row in rows if row.goes_on}
    finally:
        index.close()
    if as_json:
        print_json([_document(row) for row in rows])
    elif not rows:
        click.echo("nothing found" if words or earlier else f"nothing in {where}")
    else:
        for row in rows:
            tell(_line(row, later.get(row.id, ())))
    if earlier:
        what = "1 earlier revision is" if earlier == 1 else f"{earlier} earlier revisions are"
        say(f"no preset is like that now, but {what}; --all shows them")
    if damaged:
        files = "1 file is" if len(damaged) == 1 else f"{len(damaged)} files are"
        say(f"{files} damaged and left out; xover archive check tells which")


def _document(row: Row) -> dict[str, Any]:
    return {
        "venue": row.venue,
        "title": row.title,
        "revision": row.id,
        "time": row.time,
        "author": row.author,
        "note": row.note,
        "heads": row.heads,
        "parent": row.parent,
    }


def _line(row: Row, later: Sequence[Row]) -> str:
    from xover.files.archive.place import key_of
    from xover.model.names import inert

    own = key_of(row.venue, row.title)
    forked = f"  ({row.heads} heads)" if row.heads > 1 else ""
    first = row.note.splitlines()[0] if row.note else ""
    tail = " · ".join(text for text in (row.author, first) if text)
    head = f"{row.time[:10]} {row.time[11:16]}  {_called(row)}{forked}"
    lines = [inert(head), inert(f"    {row.id}  {tail}".rstrip())]
    on = {key_of(one.venue, one.title): _called(one) for one in reversed(later)}
    lines += [inert(f"    went on as {name}") for key, name in on.items() if key != own]
    return "\n".join(lines)


def _called(row: Row) -> str:
    return ", ".join(text for text in (row.venue, row.title) if text)


def _day(text: str | None, option: str) -> str | None:
    """A date as the index compares it. Raises `Refused` for anything else."""
    import datetime

    if text is None:
        return None
    try:
        return datetime.date.fromisoformat(text).isoformat()
    except ValueError:
        raise Refused.at("", f"{option} {text}: write a date like 2026-11-25") from None


@command.command(short_help="one revision: where it comes from, its note, what it changed")
@click.argument("revision", metavar="REVISION")
@place_option
@json_option
def show(revision: str, folder: str | None, as_json: bool) -> None:
    """Show one revision: where it comes from, its note, and what it changed."""
    from xover.model.comparison import compare
    from xover.model.names import inert

    with opened(folder) as archive:
        archive.refresh()
        row = archive.find(revision)
        found = archive.open(row)
        parents = archive.index.find(row.parent) if row.parent else []
        before = None
        try:
            before = archive.open(parents[0]).preset if len(parents) == 1 else None
        except Refused as error:
            say(f"what it changed cannot be told: {error}")
        children = [one.id for one in archive.index.following(row.id)]
        tree = found.preset
    changes = () if before is None else compare(before, tree)
    if as_json:
        import msgspec

        print_json(
            {
                **_document(row),
                "children": children,
                "changes": [_difference(one) for one in changes],
                "preset": msgspec.to_builtins(tree),
            }
        )
        return
    lines = [f"{row.venue}, {row.title}" if row.venue else row.title, f"  {row.id}, {row.time}"]
    lines += [f"  by {row.author}"] if row.author else []
    lines += [f"  {line}" for line in row.note.splitlines()]
    lines.append(f"  parent {row.parent or 'none'}; followed by {', '.join(children) or 'none'}")
    lines += [f"  {one.sentence}" for one in changes]
    for line in lines:
        tell(inert(line))


@command.command(short_help="two revisions, or a file with one, compared")
@click.argument("before", metavar="REVISION|FILE")
@click.argument("after", metavar="REVISION|FILE")
@place_option
@json_option
def diff(before: str, after: str, folder: str | None, as_json: bool) -> int:
    """Compare two revisions, or a file with a revision, in the language of the trade.

    Exit code 1 where they differ.
    """
    from xover.model.comparison import compare

    with opened(folder) as archive:
        archive.refresh()
        old, new = _either(archive, before), _either(archive, after)
    changes = compare(old, new)
    if as_json:
        print_json([_difference(one) for one in changes])
    elif not changes:
        click.echo("no difference")
    else:
        for one in changes:
            tell(one.sentence)
    return int(Exit.ATTENTION if changes else Exit.DONE)


def _difference(one: Any) -> dict[str, Any]:
    return {
        "where": one.where,
        "label": one.label,
        "from": one.before,
        "to": one.after,
        "unit": one.unit,
    }


def preset_or_revision(asked: str, folder: str | None) -> Preset:
    """A preset by file, or by the name of a revision in the archive."""
    from xover.cli.common import open_preset

    if _is_file(asked):
        return open_preset(asked)
    with opened(folder) as archive:
        archive.refresh()
        return archive.open(archive.find(asked)).preset


def _either(archive: Archive, asked: str) -> Preset:
    from xover.cli.common import open_preset

    return open_preset(asked) if _is_file(asked) else archive.open(archive.find(asked)).preset


def _is_file(asked: str) -> bool:
    """Whether this is meant as a file rather than as the name of a revision."""
    return asked == "-" or os.path.exists(asked) or "/" in asked or asked.endswith(".json")


@command.command(short_help="a copy of a revision's preset")
@click.argument("revision", metavar="REVISION")
@click.option("-o", "output_file", metavar="FILE", required=True, help="Write the preset here.")
@click.option("--force", is_flag=True, help="Overwrite the file named by -o.")
@place_option
def restore(revision: str, output_file: str, force: bool, folder: str | None) -> None:
    """Write a copy of a revision's preset, based on that revision."""
    from xover.files.preset_json import save as save_preset

    with opened(folder) as archive:
        archive.refresh()
        row = archive.find(revision)
        preset = archive.restored(row)
    save_preset(preset, output_file, overwrite=force)
    if output_file != "-":
        say(f"{row.id} restored as {output_file}")


@command.command(short_help="a venue, or all, as one zip")
@click.argument("venue", metavar="[VENUE]", required=False)
@click.option("-o", "output_file", metavar="FILE.zip", required=True, help="Write the zip here.")
@click.option("--force", is_flag=True, help="Overwrite the file named by -o.")
@place_option
def export(venue: str | None, output_file: str, force: bool, folder: str | None) -> None:
    """Write every revision of VENUE, or of all, into one zip with a manifest of hashes.

    Damaged ones are left out, and named.
    """
    from xover.files.archive.bundle import export_archive

    with opened(folder) as archive, _bar("exporting") as progress:
        archive.refresh()
        done = export_archive(archive, venue, output_file, overwrite=force, progress=progress)
    what = "1 revision" if done.count == 1 else f"{done.count} revisions"
    say(f"{what} written to {output_file}")
    for name in done.damaged:
        say(f"damaged, so left out: {name}")


@command.command(name="import", short_help="take the revisions of a zip in, merging without loss")
@click.argument("file", metavar="FILE.zip")
@place_option
@json_option
def import_(file: str, folder: str | None, as_json: bool) -> None:
    """Take the revisions of an exported zip in, merging without loss."""
    from xover.files.archive.bundle import import_archive

    with opened(folder) as archive, _bar("importing") as progress:
        archive.refresh()
        taken = import_archive(archive, file, progress)
    if as_json:
        print_json({"new": list(taken.new), "known": taken.known})
    else:
        click.echo(f"{len(taken.new)} revisions are new here, {taken.known} were here already")


@command.command(short_help="verify every file; repairs and deletes nothing")
@place_option
@json_option
def check(folder: str | None, as_json: bool) -> int:
    """Verify every file, and report; repairs nothing and deletes nothing.

    Damage gives exit code 1. Several heads, files under other names and missing parents are told.
    """
    from xover.files.archive.audit import audit

    with opened(folder, must_exist=True) as archive, _bar("checking") as progress:
        findings, count = audit(archive, progress)
    damage = [one for one in findings if one.kind == "damage"]
    if as_json:
        print_json(
            {
                "revisions": count,
                "findings": [
                    {"kind": one.kind, "name": one.name, "message": one.message} for one in findings
                ],
            }
        )
    else:
        from xover.model.names import inert

        for one in findings:
            tell(inert(f"{one.kind}: {one.name}: {one.message}"), whole=[one.name])
        click.echo(f"{count} sound revisions, {len(damage)} damaged files")
    return int(Exit.ATTENTION if damage else Exit.DONE)


@contextmanager
def opened(folder: str | None, *, must_exist: bool = False) -> Iterator[Archive]:
    """The archive, let go of afterwards; refused where the place is no folder or shut to us."""
    from xover.files.archive.index import answered
    from xover.files.archive.store import Archive

    archive = Archive(_place(folder, must_exist=must_exist))
    try:
        with answered():
            yield archive
    finally:
        archive.close()


def _place(folder: str | None, *, must_exist: bool = False) -> str:
    from xover.files.archive.place import archive_folder, problem_of

    place = archive_folder(folder)
    problem = problem_of(place) if must_exist or os.path.lexists(place) else ""
    if problem:
        raise Refused.at("", problem)
    return place


@contextmanager
def _bar(what: str) -> Iterator[Progress]:
    """Progress on a terminal, as the archive counts it."""
    from xover.cli.progress import progress

    with progress(what) as bar:
        yield lambda done, total: bar(done / total if total else 1.0)
