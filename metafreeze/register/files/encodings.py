"""From bytes to text: which encoding a file was written in, without ever inventing letters."""

from __future__ import annotations

import codecs
import io
import re
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from metafreeze.errors import Fault, Location

# How much of a file is looked at where a look at all of it would say no more.
_SAMPLE = 1 << 16
# In a longer text the lines beyond ASCII are looked at alone, where they are a small share.
_LONG, _FEW = 1 << 20, 0.1
_RECODED = 1 << 20
# A byte-order mark and what it stands for, longest first.
_MARKS: tuple[tuple[bytes, str, str], ...] = (
    (codecs.BOM_UTF32_LE, "utf-32", "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32", "utf-32-be"),
    (codecs.BOM_UTF8, "utf-8", "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16", "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16", "utf-16-be"),
)
# One-byte encodings of the Latin alphabet, the usual one first: it wins a tie.
_LATIN = ("cp1252", "cp1250", "mac_roman", "cp850")
_WINDOWS = ("cp1252", "cp1250")
_NAMES = {"cp1252": "windows-1252", "cp1250": "windows-1250", "mac_roman": "mac-roman"}
# Encodings of other scripts that are worth a guess; the guess is shown and can be overruled.
_OTHER_SCRIPTS = [
    "gb18030",
    "big5",
    "shift_jis",
    "euc_jp",
    "euc_kr",
    "cp1251",
    "koi8_r",
    "cp1253",
    "cp1254",
    "cp1255",
    "cp1256",
    "iso8859_2",
    "iso8859_5",
]
# This many bytes above 127 in a row is no word of a Latin alphabet.
_LONG_RUN = 3
_FITTING = set("°µ±²³·–—‘’“”„…«»§×÷½¼¾€®™†‰\u00a0")
_CHINESE = set("℃上下午时间時間温度溫次分秒")
_UTF8_LETTER = re.compile(
    rb"[\xc2-\xdf][\x80-\xbf]|[\xe0-\xef][\x80-\xbf]{2}|[\xf0-\xf4][\x80-\xbf]{3}"
)
_CONTROL = re.compile(rb"[\x01-\x08\x0e-\x1a\x1c-\x1f\x7f]")


@dataclass(frozen=True, slots=True, kw_only=True)
class Decoded:
    """A file as text.

    Parameters
    ----------
    utf8 : bytes
        The text as UTF-8 without a byte-order mark.
    encoding : str
        What it was written in; empty where that could not be told.
    evidence : str
        Why, in one sentence.
    findings : tuple of Fault
        What was found on the way; an error means that `utf8` is not to be used.
    """

    utf8: bytes
    encoding: str = ""
    evidence: str = ""
    findings: tuple[Fault, ...] = ()

    @property
    def readable(self) -> bool:
        """True where the text may be used."""
        return not any(f.severity != "note" for f in self.findings)


def decode_text(data: bytes, *, file: str = "", forced: str = "") -> Decoded:
    """Decide the encoding of a file from all its bytes, and decode it.

    A byte-order mark decides; else UTF-8 where every byte agrees; else the one-byte
    encoding whose letters make sense, shown in a note. Nothing is replaced.

    Parameters
    ----------
    data : bytes
        The file.
    file : str
        Its name, for the findings.
    forced : str
        Encoding that a person has named; empty if nobody has.

    Returns
    -------
    Decoded
    """
    if not forced and _is_binary(data):
        return _refuse(
            "not-text",
            "The file is neither text nor a workbook that can be read",
            "Give CSV or other delimited text, XLSX or Parquet",
            file,
        )
    decoded = _decode_as(data, forced, file) if forced else _decide(data, file)
    if not decoded.readable:
        return decoded
    return _look_for_damage(decoded, file)


def _is_binary(data: bytes) -> bool:
    """Tell whether control characters, which no text has, are frequent."""
    sample = data[:_SAMPLE]
    n_control = len(_CONTROL.findall(sample))
    return n_control > max(8, 0.02 * len(sample))


def _refuse(rule: str, message: str, remedy: str, file: str, *, row: int | None = None) -> Decoded:
    fault = Fault(rule=rule, message=message, remedy=remedy, location=Location(file=file, row=row))
    return Decoded(utf8=b"", findings=(fault,))


def _row_of(data: bytes, position: int) -> int:
    return data.count(b"\n", 0, position) + 1


def _decode_as(data: bytes, name: str, file: str) -> Decoded:
    """Decode in the encoding that a person named."""
    try:
        codec = codecs.lookup(name)
        is_text = bool(getattr(codec, "_is_text_encoding", True))
    except LookupError:
        is_text = False
    if not is_text:
        return _refuse(
            "encoding-unknown",
            f"“{name}” is no encoding that can be read",
            "Answer with --encoding utf-8, windows-1252, latin-1, utf-16 or another common name",
            file,
        )
    try:
        text = data.decode(name)
    except UnicodeError as problem:
        position = getattr(problem, "start", 0)
        return _refuse(
            "encoding-contradiction",
            f"The file cannot be {name}: byte {position + 1} does not fit",
            "Leave --encoding away, or name the encoding in which the file was saved",
            file,
            row=_row_of(data, position),
        )
    utf8 = text.removeprefix("\ufeff").encode()
    return Decoded(utf8=utf8, encoding=codec.name, evidence=f"encoding {codec.name}: as answered")


def _decide(data: bytes, file: str) -> Decoded:
    for mark, name, codec in _MARKS:
        if data.startswith(mark):
            return _decode_marked(data, mark, name, codec, file)
    if data.isascii():
        if b"\0" in data:
            return _decode_unmarked_wide(data) or _ascii(data)
        return _ascii(data)
    if b"\0" in data[:_SAMPLE]:
        wide = _decode_unmarked_wide(data)
        if wide:
            return wide
    if not _is_utf8(data):
        try:
            data.decode("utf-8")
        except UnicodeDecodeError as problem:
            return _decode_narrow(data, problem, file)
    return Decoded(
        utf8=data, encoding="utf-8", evidence="encoding UTF-8: every byte of the file agrees"
    )


def _is_utf8(data: bytes) -> bool:
    """Check a file's bytes without making a text of them, which would take several times them."""
    ends = pa.py_buffer(np.array([0, len(data)], dtype=np.int64))
    text = pa.LargeStringArray.from_buffers(1, ends, pa.py_buffer(data))
    try:
        text.validate(full=True)
    except pa.ArrowInvalid:
        return False
    return True


def _ascii(data: bytes) -> Decoded:
    return Decoded(
        utf8=data, encoding="utf-8", evidence="encoding UTF-8: the file holds plain ASCII only"
    )


def _decode_marked(data: bytes, mark: bytes, name: str, codec: str, file: str) -> Decoded:
    """Decode a file that starts with a byte-order mark."""
    try:
        if codec == "utf-8":
            utf8 = data[len(mark) :]
            if not _is_utf8(utf8):
                utf8.decode("utf-8")
        else:
            utf8 = _recode(data, len(mark), codec)
    except UnicodeError as problem:
        position = getattr(problem, "start", 0)
        return _refuse(
            "encoding-contradiction",
            f"The file starts as {name} but byte {position + len(mark) + 1} does not fit",
            "Save it again as UTF-8; it may have been cut off or joined from two files",
            file,
            row=_row_of(data, position),
        )
    return Decoded(
        utf8=utf8, encoding=codec, evidence=f"encoding {name.upper()}: the byte-order mark says so"
    )


def _recode(data: bytes, start: int, codec: str) -> bytes:
    """Write text as UTF-8, a piece at a time; a long one as a whole would take twice the memory."""
    decoder = codecs.getincrementaldecoder(codec)()
    written = io.BytesIO()
    try:
        for low in range(start, len(data), _RECODED):
            written.write(decoder.decode(data[low : low + _RECODED]).encode())
        written.write(decoder.decode(b"", final=True).encode())
    except UnicodeError:
        # The whole says where the fault lies.
        return data[start:].decode(codec).encode()
    return written.getvalue()


def _decode_unmarked_wide(data: bytes) -> Decoded | None:
    """Decode two-byte text without a mark, told by the place of its zero bytes."""
    sample = data[: _SAMPLE - _SAMPLE % 2]
    half = max(len(sample) // 2, 1)
    zeros = {"utf-16-be": sample[0::2].count(0) / half, "utf-16-le": sample[1::2].count(0) / half}
    codec = max(zeros, key=lambda name: zeros[name])
    # In Latin text nearly every other byte is zero, and hardly any of the rest.
    if zeros[codec] < 0.4 or min(zeros.values()) > 0.05:
        return None
    try:
        utf8 = _recode(data, 0, codec)
    except UnicodeError:
        return None
    return Decoded(
        utf8=utf8,
        encoding=codec,
        evidence=f"encoding {codec.upper()}: every other byte is zero",
    )


def _decode_narrow(data: bytes, problem: UnicodeDecodeError, file: str) -> Decoded:
    """Decode text that is not UTF-8: weigh what its letters would be."""
    lines = _lines_beyond_ascii(data)
    some = data if lines is None else b"".join(data[low:high] for low, high in lines)
    runs = re.findall(rb"[\x80-\xff]+", some)
    n_high = sum(map(len, runs))
    if 2 * sum(map(len, _UTF8_LETTER.findall(some))) > n_high:
        return _refuse(
            "encoding-contradiction",
            f"Most of the file is UTF-8, but byte 0x{data[problem.start]:02X} is not",
            "Save the file again as UTF-8; it may have been joined from two files",
            file,
            row=_row_of(data, problem.start),
        )
    longest = max(map(len, runs))
    paired = all(len(run) % 2 == 0 for run in runs)
    scores = {name: _fit(some, name) for name in _LATIN}
    best = max(_LATIN, key=lambda name: scores[name])
    name = "gb18030" if paired and _looks_chinese(some) else ""
    if not name and (longest >= _LONG_RUN or scores[best] <= 0):
        name = _guess_script(some)
    if not name and scores[best] > 0 and (best in _WINDOWS or _makes_words(some.decode(best))):
        name = best
    if not name:
        return _ask_encoding(data, problem.start, file)
    text = some.decode(name)
    shown = _NAMES.get(name, name)
    words = ", ".join(f"“{w}”" for w in _unusual_words(text))
    note = Fault(
        rule="encoding-guessed",
        message=f"The file is not UTF-8 and was read as {shown}; it then holds {words}",
        remedy="If a letter looks wrong, answer with --encoding NAME",
        location=Location(file=file, row=_row_of(data, problem.start)),
        severity="note",
    )
    return Decoded(
        utf8=text.encode() if lines is None else _as_utf8(data, name, lines),
        encoding=shown,
        evidence=f"encoding {shown}: not UTF-8, and so the letters make words such as {words}",
        findings=(note,),
    )


def _lines_beyond_ascii(data: bytes) -> list[tuple[int, int]] | None:
    """List where the lines of a long text lie that hold more than ASCII; None where they are many.

    All encodings that are guessed read ASCII as itself, and no letter runs over a line.
    """
    if len(data) < _LONG:
        return None
    lines: list[tuple[int, int]] = []
    size, end = 0, 0
    body = np.frombuffer(data, dtype=np.uint8)
    for low in range(0, len(data), _SAMPLE):
        for at in (np.flatnonzero(body[low : low + _SAMPLE] >= 128) + low).tolist():
            if at < end:
                continue
            start, end = data.rfind(b"\n", 0, at) + 1, data.find(b"\n", at) + 1 or len(data)
            lines.append((start, end))
            size += end - start
            if size > _FEW * len(data):
                return None
    return lines


def _as_utf8(data: bytes, name: str, lines: list[tuple[int, int]]) -> bytes:
    """Write text as UTF-8 of which only some lines hold more than ASCII."""
    view, written, done = memoryview(data), io.BytesIO(), 0
    for start, end in lines:
        written.write(view[done:start])
        written.write(data[start:end].decode(name).encode())
        done = end
    written.write(view[done:])
    return written.getvalue()


def _fit(data: bytes, name: str) -> float:
    """Score how well the letters beyond ASCII fit their neighbours in a Latin encoding."""
    try:
        text = data.decode(name)
    except UnicodeDecodeError:
        return float("-inf")
    score = 0.0
    for match in list(re.finditer(r"[^\x00-\x7f]", text))[:2000]:
        at, letter = match.start(), match.group()
        before, after = text[at - 1 : at], text[at + 1 : at + 2]
        degree = after in tuple("CFK") and not before.isalpha()
        if letter == "°":
            score += 3.0
        elif letter.isalpha() and letter < "\u0180":
            capital_inside = letter.isupper() and before.islower()
            score += -1.0 if degree or capital_inside else 1.0
        elif letter in _FITTING:
            score += 1.0
        else:
            score -= 2.0
    return score


def _makes_words(text: str) -> bool:
    """Tell whether most letters beyond ASCII stand in words with ASCII letters, or are degrees."""
    beyond: list[tuple[str, str, str]] = re.findall(
        r"(?=([A-Za-z]?)([^\x00-\x7f])([A-Za-z]?))", text
    )
    inside = sum(bool(before or after) or letter == "°" for before, letter, after in beyond)
    return 2 * inside > len(beyond)


def _looks_chinese(data: bytes) -> bool:
    """Tell whether the text holds Chinese words for times or temperatures."""
    try:
        return bool(_CHINESE & set(data.decode("gb18030")))
    except UnicodeDecodeError:
        return False


def _guess_script(data: bytes) -> str:
    """Guess the encoding of text in another script; empty where nothing fits."""
    from charset_normalizer import from_bytes

    sample = data[:_SAMPLE]
    cut = sample.rfind(b"\n")
    found = from_bytes(sample[: cut + 1] or sample, cp_isolation=_OTHER_SCRIPTS).best()
    if found is None:
        return ""
    try:
        data.decode(found.encoding)
    except UnicodeDecodeError:
        return ""
    return found.encoding


def _unusual_words(text: str) -> list[str]:
    """List the first words that hold a letter beyond ASCII."""
    words = (w for w in re.findall(r"[^\s;,|\"]+", text) if not w.isascii())
    return list(dict.fromkeys(w[:24] for w in words))[:3]


def _ask_encoding(data: bytes, position: int, file: str) -> Decoded:
    """Ask for the encoding of a file that fits none."""
    fault = Fault(
        rule="encoding-undecidable",
        message=(
            f"The file is not UTF-8 (byte 0x{data[position]:02X}) and its letters make sense in no "
            "usual encoding"
        ),
        remedy=(
            "Answer with --encoding NAME, such as windows-1252, latin-2, cp1251 or gb18030, "
            "or save the file as UTF-8"
        ),
        location=Location(file=file, row=_row_of(data, position)),
        severity="question",
    )
    return Decoded(utf8=b"", findings=(fault,))


def _look_for_damage(decoded: Decoded, file: str) -> Decoded:
    """Report zero bytes, control characters and replacement characters in the text."""
    utf8 = decoded.utf8
    findings = list(decoded.findings)
    if utf8.endswith(b"\0"):
        utf8 = utf8.rstrip(b"\0")
        findings.append(
            Fault(
                rule="cut-off",
                message=(
                    f"The file ends in {len(decoded.utf8) - len(utf8)} zero bytes, as if its "
                    "writing had been cut off; they were left away"
                ),
                remedy="Look whether the last row is whole",
                location=Location(file=file, row=_row_of(utf8, len(utf8))),
                severity="note",
            )
        )
    if utf8.endswith(b"\x1a"):  # the end-of-file mark of old systems
        utf8 = utf8[:-1]
    damaged = utf8.find(b"\0")
    if damaged >= 0:
        findings.append(
            Fault(
                rule="zero-byte",
                message="The row holds a zero byte, which no text has",
                remedy="Mend the row; the writing of the file may have been cut off there",
                location=Location(file=file, row=_row_of(utf8, damaged)),
            )
        )
    # One byte is found many times faster than three, and few files hold it.
    replaced = utf8.find("\ufffd".encode()) if b"\xef" in utf8 else -1
    if replaced >= 0:
        row = _row_of(utf8, replaced)
        line = utf8.split(b"\n", row)[row - 1].decode("utf-8", errors="replace").strip()[:60]
        findings.append(
            Fault(
                rule="lost-letter",
                message=f"A letter was lost before this file was saved: “{line}”",
                remedy="Take the letter from the original file; two labels may look alike now",
                location=Location(file=file, row=row),
                value=line,
                severity="note",
            )
        )
    return Decoded(
        utf8=utf8,
        encoding=decoded.encoding,
        evidence=decoded.evidence,
        findings=tuple(findings),
    )
