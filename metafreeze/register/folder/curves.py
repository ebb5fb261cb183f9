"""Traces in the register: a Parquet file an entry under ``curves/``, vouched for by the journal."""

from __future__ import annotations

import hashlib
import io
import json
import os
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from metafreeze.errors import Fault, InputError, Location
from metafreeze.register.folder.disk import disk_trouble_explained, write_whole
from metafreeze.register.traces.logged import REASONS, Floats, Marks

CURVES_FOLDER = "curves"
_HEADS = b"metafreeze_traces"
_COLUMNS = ("trace", "time_s", "temp_c", "mark")


@dataclass(frozen=True, slots=True, kw_only=True)
class CurvesRecord:
    """What the journal says of the traces of an entry.

    Parameters
    ----------
    entry_id : str
        The entry; it also names the file.
    sha256 : str
        Hash of the file.
    traces : int
        Number of traces in it.
    """

    entry_id: str
    sha256: str
    traces: int

    @property
    def name(self) -> str:
        """Name of the file as people see it, inside the register."""
        return f"{CURVES_FOLDER}/{self.entry_id}.parquet"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StoredTrace:
    """One trace of a register, with the run that it is of.

    Parameters
    ----------
    entry_id : str
        Entry that brought it; empty before it is stored.
    file, sheet, channel : str
        Where it is from.
    role : str
        ``water``, ``sink`` or ``room``.
    lab_id, block_id, run_id : str
        Its run; empty where it is of none.
    began_at, zone, unit, how : str
        As `LoggedTrace` has them.
    time_s, temp_c : float array, shape (n,)
        Seconds of the trace's clock and degrees Celsius; NaN where no number stands.
    marks : int array, shape (n,)
        Places in `REASONS` of why a reading must not be used; 0 for a good one.
    """

    entry_id: str = ""
    file: str
    sheet: str = ""
    channel: str
    role: str = "water"
    lab_id: str = ""
    block_id: str = ""
    run_id: str = ""
    began_at: str = ""
    zone: str = ""
    unit: str = ""
    how: str = ""
    time_s: Floats = field(repr=False)
    temp_c: Floats = field(repr=False)
    marks: Marks = field(repr=False)


_HEAD = tuple(
    f.name for f in fields(StoredTrace) if f.name not in ("entry_id", "time_s", "temp_c", "marks")
)


def encode_curves(traces: Sequence[StoredTrace]) -> bytes:
    """Spell traces as one Parquet file, in memory.

    Parameters
    ----------
    traces : sequence of StoredTrace
        In order.

    Returns
    -------
    bytes
    """
    heads = [{name: getattr(trace, name) for name in _HEAD} for trace in traces]
    sizes = [trace.time_s.size for trace in traces]
    table = pa.table(
        {
            "trace": np.repeat(np.arange(len(traces), dtype=np.int32), sizes),
            "time_s": np.concatenate([t.time_s for t in traces]),
            "temp_c": np.concatenate([t.temp_c for t in traces]),
            "mark": np.concatenate([t.marks for t in traces]).astype(np.int8),
        }
    ).replace_schema_metadata({_HEADS: json.dumps(heads, ensure_ascii=False).encode()})
    stream = io.BytesIO()
    pq.write_table(table, stream, compression="zstd")
    return stream.getvalue()


def write_curves(folder: Path, entry_id: str, content: bytes, traces: int) -> CurvesRecord:
    """Put the traces of an entry on the disk; the journal alone makes them count."""
    digest = hashlib.sha256(content).hexdigest()
    record = CurvesRecord(entry_id=entry_id, sha256=digest, traces=traces)
    write_whole(folder / record.name, content)
    return record


def check_curves(folder: Path, record: CurvesRecord) -> Fault | None:
    """Say what is wrong with the bytes of a file of traces, if anything is."""
    found = _believed(folder, record)
    return found if isinstance(found, Fault) else None


def read_stored(folder: Path, record: CurvesRecord) -> list[StoredTrace] | Fault:
    """Read the traces of an entry, checking their bytes against the journal.

    Parameters
    ----------
    folder : Path
        The register.
    record : CurvesRecord
        What the journal says of them.

    Returns
    -------
    list of StoredTrace, or Fault
        The fault where the file is gone or not as it was written.
    """
    content = _believed(folder, record)
    if isinstance(content, Fault):
        return content
    table = pq.read_table(pa.BufferReader(content))
    heads = json.loads((table.schema.metadata or {}).get(_HEADS, b"[]"))
    which, times, temps, marks = (table[name].to_numpy() for name in _COLUMNS)
    edges = np.searchsorted(which, np.arange(len(heads) + 1))
    return [
        StoredTrace(
            entry_id=record.entry_id,
            **{name: str(head.get(name, "")) for name in _HEAD},
            time_s=times[edges[k] : edges[k + 1]],
            temp_c=temps[edges[k] : edges[k + 1]],
            marks=marks[edges[k] : edges[k + 1]],
        )
        for k, head in enumerate(heads)
    ]


def _believed(folder: Path, record: CurvesRecord) -> bytes | Fault:
    state = "is damaged: its checksum is not the journal's"
    try:
        content = (folder / record.name).read_bytes()
    except FileNotFoundError:
        state = "is gone"
    except OSError as trouble:
        state = f"cannot be read ({trouble.strerror or trouble})"
    else:
        if hashlib.sha256(content).hexdigest() == record.sha256:
            return content
    return Fault(
        rule="curves-damaged",
        message=f"{record.name} {state}; the traces of {record.entry_id} are left out, its rows "
        "are not affected",
        remedy=f"Restore it from a copy, or undo {record.entry_id} and add its file again "
        "from the folder sources",
        location=Location(file=record.name),
    )


def with_entry(trace: StoredTrace, entry_id: str) -> StoredTrace:
    """Give a trace under another entry."""
    return replace(trace, entry_id=entry_id)


def export_traces(traces: Iterable[StoredTrace], out: str | os.PathLike[str]) -> int:
    """Write the readings of traces to a CSV or Parquet file, one row a reading.

    Parameters
    ----------
    traces : iterable of StoredTrace
        The traces.
    out : path
        File to write; its ending decides the format.

    Returns
    -------
    int
        Number of readings written.

    Raises
    ------
    InputError
        The ending is neither ``.csv`` nor ``.parquet``.
    RegisterError
        The disk refuses the file.
    """
    path = Path(out)
    if path.suffix.lower() not in (".csv", ".parquet"):
        raise InputError(f'The export file is "{path.name}". End its name in .csv or .parquet.')
    told = ("file", "sheet", "channel", "role", "lab_id", "block_id", "run_id", "began_at")
    pieces = []
    for trace in traces:
        count = trace.time_s.size
        # An apostrophe makes a text inert that a spreadsheet would take for a formula.
        texts = {n: getattr(trace, n) for n in told}
        safe = {n: f"'{v}" if v[:1] in tuple("=+-@\t\r'") else v for n, v in texts.items()}
        shown = safe if path.suffix.lower() == ".csv" else texts
        columns: dict[str, pa.Array] = {n: pa.repeat(pa.scalar(v), count) for n, v in shown.items()}
        columns["time_s"] = pa.array(trace.time_s)
        columns["temp_c"] = pc.if_else(np.isnan(trace.temp_c), None, pa.array(trace.temp_c))
        columns["not_used_because"] = pa.array(REASONS).take(pa.array(trace.marks, pa.int32()))
        pieces.append(pa.table(columns))
    names = [*told, "time_s", "temp_c", "not_used_because"]
    table = pa.concat_tables(pieces) if pieces else pa.table({n: pa.array([]) for n in names})
    stream = pa.BufferOutputStream()
    if path.suffix.lower() == ".csv":
        from pyarrow import csv

        csv.write_csv(table, stream)
    else:
        pq.write_table(table, stream, compression="zstd")
    with disk_trouble_explained(f"{path.name} could not be written"):
        write_whole(path, stream.getvalue().to_pybytes())
    return int(table.num_rows)


def spell_record(record: CurvesRecord) -> dict[str, object]:
    """Give a record as the journal has it; the line itself names the entry."""
    plain = asdict(record)
    del plain["entry_id"]
    return plain
