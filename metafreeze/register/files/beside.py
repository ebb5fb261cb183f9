"""Tables that stand beside each other in one block of columns."""

from __future__ import annotations

import re

from metafreeze.register.files.grids import Block, Grid


def _pattern_of(heading: str) -> str:
    """Write a heading without the digits that tell one block from the next."""
    return re.sub(r"[\d\s_.:#-]+", "", heading).casefold()


_CLOCK_HEADING = re.compile(
    r"time|clock|elapsed|zeit|heure|hora|时间|時間|^t[\s_(]*s\b", re.IGNORECASE
)


def split_side_by_side(grid: Grid, block: Block) -> list[Block]:
    """Cut a block into tables that stand beside each other, and drop empty columns.

    Parts between empty columns are tables of their own where their headings are alike
    but for digits; so are repeating headings that each start with a clock.

    Parameters
    ----------
    grid : Grid
        Where the block lies.
    block : Block
        The block.

    Returns
    -------
    list of Block
        One where nothing is to be cut.
    """
    empty = _empty_columns(grid, block)
    runs: list[list[int]] = [[]]
    for k in range(len(block.columns)):
        if k in empty:
            if runs[-1]:
                runs.append([])
        else:
            runs[-1].append(k)
    runs = [run for run in runs if run]
    patterns = [[_pattern_of(block.headings[k]) for k in run] for run in runs]
    alike = len(runs) > 1 and all(p == patterns[0] for p in patterns) and any(patterns[0])
    if not alike:
        kept = [k for run in runs for k in run]
        cut = _cut_repeating(block, kept)
        if cut is None:
            return [_part(grid, block, kept, whole=True)]
        runs = cut
    parts = [_part(grid, block, run, whole=False) for run in runs]
    # What was found on the way is told once, by the first part.
    for part in parts[1:]:
        part.unreadable, part.notes = [], []
    return parts


def _cut_repeating(block: Block, kept: list[int]) -> list[list[int]] | None:
    """Cut columns whose headings repeat, each part with a clock of its own."""
    patterns = [_pattern_of(block.headings[k]) for k in kept]
    for period in range(2, len(kept) // 2 + 1):
        parts = [patterns[at : at + period] for at in range(0, len(patterns), period)]
        if len(patterns) % period or any(p != parts[0] for p in parts):
            continue
        if _CLOCK_HEADING.search(block.headings[kept[0]]):
            return [kept[at : at + period] for at in range(0, len(kept), period)]
    return None


def _empty_columns(grid: Grid, block: Block) -> set[int]:
    """List the places of columns without heading and without cells."""
    bare = {
        k
        for k in range(len(block.columns))
        if not block.headings[k] and not block.groups[k] and not block.units[k]
    }
    for i in block.body:
        if not bare:
            break
        bare -= {k for k in bare if grid.cell(i, block.columns[k])}
    return bare


def _part(grid: Grid, block: Block, kept: list[int], *, whole: bool) -> Block:
    """Take some columns of a block; a part ends with its own last filled row."""
    columns = [block.columns[k] for k in kept]
    body = block.body
    if not whole:
        end = len(body)
        while end and not any(grid.cell(body[end - 1], j) for j in columns):
            end -= 1
        body = body[:end]
    return Block(
        columns=columns,
        headings=[block.headings[k] for k in kept],
        groups=[block.groups[k] for k in kept],
        units=[block.units[k] for k in kept],
        heading_rows=block.heading_rows,
        body=body,
        breaks=[b for b in block.breaks if b < len(body)],
        above=block.above,
        below=block.below,
        preamble=block.preamble,
        footer=block.footer,
        unreadable=block.unreadable,
        notes=block.notes,
    )
