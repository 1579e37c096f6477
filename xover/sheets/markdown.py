"""The entry sheet as Markdown (CommonMark with tables), for a wiki or a repository.

Text from the file is escaped so that it can make no markup, no link and no HTML.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from xover.sheets.rows import Block, Entry, Sheet

BOX = "☐"
# CommonMark 0.31, 2.4: any ASCII punctuation may be escaped. At signs, dots inside addresses and
# some colons besides, because common dialects turn addresses into links, @names into mentions
# and :words: into pictures.
_ACTIVE = re.compile(r"([\\`*_{}\[\]<>#|~&$@]|:(?=\S))")
_BARE_DOMAIN = re.compile(r"(?<=\w)\.(?=[^\W\d])")
_LINE_START = re.compile(r"^(\s*)([-+=]|\d+(?=[.)](?:\s|$)))")


def escaped(text: str) -> str:
    """`text` as literal Markdown text, wherever in a line or table it stands."""
    safe = _BARE_DOMAIN.sub(r"\\.", _ACTIVE.sub(r"\\\1", text))
    found = _LINE_START.match(safe)
    if not found:
        return safe
    start = found.end()
    if found[2].isdigit():
        return f"{safe[:start]}\\{safe[start:]}"
    return f"{safe[: start - 1]}\\{safe[start - 1 :]}"


def markdown_sheet(sheet: Sheet) -> str:
    """The sheet as Markdown text, ending in a newline."""
    parts = [f"# Entry sheet: {escaped(sheet.title)}"]
    parts.append(_table(("", ""), [(label, escaped(text)) for label, text in sheet.facts]))
    parts.append("Entered by ..................  Checked by ..................  Date ..........")
    parts.append("## Before you start")
    parts.append("\n".join(f"- {caution}" for caution in sheet.cautions))
    if sheet.notes:
        parts.append("## Notes")
        parts.append(_quoted(sheet.notes))
    if sheet.inputs:
        parts.append("## Inputs")
    for block in sheet.inputs:
        parts += [f"### {escaped(block.name)}", *_block(block)]
    if sheet.matrix.rows:
        parts.append("## Matrix")
        rows = [(escaped(name), *gains) for name, gains in sheet.matrix.rows]
        parts.append(_table(("Output", *map(escaped, sheet.matrix.inputs)), rows))
    if sheet.groups:
        parts.append("## Groups, set together")
        groups = [(escaped(name), escaped(members), text) for name, members, text in sheet.groups]
        parts.append(_table(("Group", "Outputs", "Follows"), groups))
    for number, block in enumerate(sheet.outputs, start=1):
        heading = f"## {sheet.kind} {number} of {len(sheet.outputs)}: {escaped(block.name)}"
        parts += [heading, *_block(block), "Initials .........."]
    parts.append("## What the figures mean")
    parts.append("\n".join(f"- {text}" for text in sheet.definitions))
    return "\n\n".join(parts) + "\n"


def _block(block: Block) -> list[str]:
    facts = [f"- {label}: {escaped(text)}" for label, text in block.facts]
    facts += [f"- {escaped(remark)}" for remark in block.remarks]
    rows = [_entry(entry) for entry in block.entries]
    return ["\n".join(facts)] * bool(facts) + [_table(("Stage", "Enter", "The same"), rows)]


def _entry(entry: Entry) -> tuple[str, str, str]:
    label = escaped(entry.label) + (" **locked**" if entry.locked else "")
    figures = " ".join(f"{BOX} {figure.words}" for figure in entry.figures)
    return label, figures, entry.note


def _quoted(notes: Sequence[str]) -> str:
    """Lines as a quotation that keeps its line breaks (CommonMark 0.31, 6.7: a backslash)."""
    following = [*notes[1:], ""]
    return "\n".join(
        f"> {escaped(note)}" + "\\" * bool(note and after) if note else ">"
        for note, after in zip(notes, following, strict=True)
    )


def _table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    lines = [heads, ["---"] * len(heads), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)
