"""The log of what people enter: append-only files of one JSON record a line, whole lines or none."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from cemgis.errors import Gather, InputError
from cemgis.files.lock import hold
from cemgis.files.whole import input_error
from cemgis.findings import Finding, find

__all__ = ["SCHEMA_VERSION", "Log", "Records", "append", "parse", "read", "writing"]

SCHEMA_VERSION = 1
"""Version of a record's form, written into every line; a line of a newer one is refused."""

_FIRST, _LAST = 1000, 2200  # years between which somebody can have written a record
_LOCK = "writer.lock"
_ENDING = ".jsonl"
_ASIDE = ".set-aside.txt"
_TEXTS = ("kind", "when", "layer", "crs", "shape", "space_id", "lot_id", "section", "opening_id", "foundation_id", "to",
          "state", "event", "date")  # fmt: skip
_LISTS = ("replaces", "spaces", "stones")
_MAPPINGS = ("values", "was")
_SAID = ("kind", "who", "when", "why")
_ID_DIGITS = 16
_SHOWN = 80
_NUL, _NUL_SHOWN = "\0", "\\x00"  # no database, page or terminal carries the first


@dataclass(frozen=True)
class Records:
    """Records in the order in which they were made, and what could not be read.

    Parameters
    ----------
    records : list of dict
        Each with its ``id``, unique.
    findings : list of Finding
        Lines that are torn, were altered after they were written, or are no record.
    """

    records: list[dict[str, Any]] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)


def append(
    folder: Path, name: str, records: Sequence[Mapping[str, Any]], *, wait_s: float = 5.0
) -> list[dict[str, Any]]:
    r"""Add records to a log: all of them, on the disk, or none.

    Nothing that is there is ever changed. If a crash left half a line at the end, that piece is moved, as it is, to a
    file beside the log before anything is added.

    Parameters
    ----------
    folder : Path
        The ground's ``records`` folder; made when it is not there.
    name : str
        Name of the log, without its ending.
    records : sequence of mapping
        Each says ``kind``, ``who``, ``when`` (ISO, with its zone) and ``why``, and what its kind needs.
    wait_s : float
        How long to wait for another writer.

    Returns
    -------
    list of dict
        The records as written, each with its ``schema_version`` and ``id``.

    Raises
    ------
    InputError
        With every record that lacks something; when another program is writing; when the disk is full or cannot be
        written.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     made = append(Path(folder), "edits", [{"kind": "edit", "who": "E. Tarn", "when": "2025-06-01T12:00:00Z",
    ...                                            "why": "stone read again"}])
    ...     read(Path(folder)).records == made
    True
    """
    lines, made = _lines(records)
    if made:
        with writing(folder, wait_s=wait_s) as log:
            log._put(name, lines)
    return made


@dataclass(frozen=True)
class Log:
    """The records of a ground while this process alone may write them.

    Parameters
    ----------
    folder : Path
        The ground's ``records`` folder.
    """

    folder: Path

    def read(self) -> Records:
        """Read all logs, as `read` does."""
        return read(self.folder)

    def append(self, name: str, records: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
        """Add records to a log: all of them, on the disk, or none; as `append` does."""
        lines, made = _lines(records)
        if made:
            self._put(name, lines)
        return made

    def _put(self, name: str, lines: bytes) -> None:
        path = self.folder / f"{name}{_ENDING}"
        if Path(name).name != name or name.startswith("."):
            raise InputError.of(str(path), f"{name!r} is not a plain name", "Use letters, digits and dashes.")
        if path.exists() and not path.is_file():
            raise InputError.of(str(path), "it is no ordinary file", "Move it away.")
        try:
            _set_aside(path)
            _extend(path, lines)
        except OSError as error:
            raise input_error(path, error) from error


@contextmanager
def writing(folder: Path, *, wait_s: float = 5.0) -> Iterator[Log]:
    """Hold the records for one writer: what is read in the block is still so when something is added.

    Parameters
    ----------
    folder : Path
        The ground's ``records`` folder; made when it is not there.
    wait_s : float
        How long to wait for another writer.

    Raises
    ------
    InputError
        When another program is writing for longer than that, or the folder cannot be made.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder, writing(Path(folder)) as log:
    ...     len(log.read().records)
    0
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise input_error(folder, error) from error
    with hold(folder / _LOCK, wait_s=wait_s):
        yield Log(folder)


def _lines(records: Sequence[Mapping[str, Any]]) -> tuple[bytes, list[dict[str, Any]]]:
    gather = Gather()
    made: list[dict[str, Any]] = []
    parts: list[bytes] = []
    for number, record in enumerate(records, 1):
        where = f"record {number} ({record.get('kind', 'no kind')})"
        for key in _SAID:
            if not str(record.get(key) or "").strip():
                gather.add(where, f"{key} is not said", "Every record says its kind, who, when and why.")
        if record.get("when") and not _zoned(record["when"]):
            gather.add(where, f"{record['when']!r} is no time with its zone", 'Write "2025-06-01T14:30:00Z".')
        body = {key: value for key, value in record.items() if key not in ("id", "schema_version")}
        body["schema_version"] = SCHEMA_VERSION
        try:
            body["id"] = _id(body)
            parts.append(_text(body) + b"\n")
        except (TypeError, ValueError) as error:
            gather.add(where, f"cannot be written as JSON ({error})", "Use text, numbers, lists and mappings.")
        made.append(body)
        if _shown(body) != body:
            gather.add(where, "it holds a NUL character, which cuts a text off", "Take it out.")
    gather.raise_if_any()
    return b"".join(parts), made


def _shown(value: Any) -> Any:
    """Return what a record says with every NUL made visible."""
    if isinstance(value, str):
        return value.replace(_NUL, _NUL_SHOWN)
    if isinstance(value, dict):
        return {_shown(key): _shown(item) for key, item in value.items()}
    return [_shown(item) for item in value] if isinstance(value, list) else value


def _text(body: Mapping[str, Any]) -> bytes:
    return json.dumps(body, sort_keys=True, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()


def _id(body: Mapping[str, Any]) -> str:
    """Name a record by what it says: the id proves the line whole and unaltered."""
    rest = {key: value for key, value in body.items() if key != "id"}
    return hashlib.sha256(_text(rest)).hexdigest()[:_ID_DIGITS]


def _zoned(text: object) -> bool:
    try:
        return datetime.fromisoformat(str(text)).tzinfo is not None and _FIRST < int(str(text)[:4]) < _LAST
    except ValueError:
        return False


def _misshapen(body: Mapping[str, Any]) -> str:
    """Say which value of a record is of another kind than every reader of records takes it to be."""
    for names, kind, word in ((_TEXTS, str, "text"), (_LISTS, list, "list"), (_MAPPINGS, dict, "mapping")):
        for name in names:
            value = body.get(name)
            if name == "was" and body.get("kind") == "refused edit":
                continue  # what one cell held, of any kind
            if value is not None and not isinstance(value, kind):
                return f"its {name} is no {word}: {str(value)[:_SHOWN]}"
    odd = next((item for name in _LISTS for item in body.get(name) or () if not isinstance(item, str)), None)
    return "" if odd is None else f"a list of it holds what is no text: {str(odd)[:_SHOWN]}"


def _set_aside(path: Path) -> None:
    """Move half a line that a crash left at the end to the file beside the log; put an end to a whole one."""
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        return
    start = content.rfind(b"\n") + 1
    tail = content[start:]
    if not tail:
        return
    if _is_whole(tail):
        _extend(path, b"\n")
        return
    _extend(path.with_suffix(_ASIDE), tail + b"\n")
    with path.open("r+b") as stream:
        stream.truncate(start)
        os.fsync(stream.fileno())


def _load(line: bytes) -> tuple[Any, str]:
    """Return what a line says and the id it should have; ValueError or RecursionError when it says nothing."""
    body = json.loads(line, parse_constant=_no_number)
    return body, _id(body) if isinstance(body, dict) else ""


def _no_number(text: str) -> float:
    msg = f"{text} is no number"
    raise ValueError(msg)


def _is_whole(line: bytes) -> bool:
    try:
        body, own = _load(line)
    except (ValueError, RecursionError):
        return False
    return isinstance(body, dict) and body.get("id") == own


def _extend(path: Path, content: bytes) -> None:
    """Add bytes at the end and sync them; on failure take back what part of them was written."""
    with path.open("ab", buffering=0) as stream:
        size = stream.seek(0, os.SEEK_END)
        try:
            rest = memoryview(content)
            while rest:
                rest = rest[stream.write(rest) or 0 :]
            os.fsync(stream.fileno())
        except OSError:
            stream.truncate(size)
            raise


def parse(content: bytes, where: str) -> Records:
    r"""Read the content of one log.

    Parameters
    ----------
    content : bytes
    where : str
        Name of the file, for findings.

    Raises
    ------
    InputError
        When a line was written by a newer version of this program.

    Examples
    --------
    >>> good = {"kind": "edit", "who": "E. Tarn", "when": "2025-06-01T12:00:00Z", "why": "", "schema_version": 1}
    >>> found = parse(json.dumps(good).encode() + b'\n{"kind": "ed', "edits.jsonl")
    >>> len(found.records), found.findings[0].reason
    (1, 'the last line is torn, as a crash leaves it: {"kind": "ed')
    """
    found = Records()
    gather = Gather()
    lines = content.removeprefix(b"\xef\xbb\xbf").split(b"\n")
    torn = lines.pop() if lines else b""
    for number, line in enumerate([*lines, torn], 1):
        if not line.strip():
            continue
        subject = f"{where} line {number}"
        last = number > len(lines)
        try:
            body, own = _load(line)
        except (ValueError, RecursionError):
            shown = line[:_SHOWN].decode(errors="replace")
            why = "the last line is torn, as a crash leaves it" if last else "no JSON"
            found.findings.append(find("record not usable", subject, f"{why}: {shown}"))
            continue
        if not isinstance(body, dict):
            found.findings.append(find("record not usable", subject, f"no record: {str(body)[:_SHOWN]}"))
            continue
        version = body.get("schema_version", SCHEMA_VERSION)
        if not isinstance(version, int) or isinstance(version, bool) or version < 1:
            found.findings.append(find("record not usable", subject, f"schema_version is {str(version)[:_SHOWN]}"))
        elif version > SCHEMA_VERSION:
            gather.add(subject, f"written by a newer version (form {version})", "Update this program.")
        elif not body.get("kind") or not _zoned(body.get("when")):
            found.findings.append(find("record not usable", subject, "its kind or its time is not said"))
        elif odd := _misshapen(body):
            found.findings.append(find("record not usable", subject, odd))
        elif "id" in body and body["id"] != own:
            found.findings.append(find("record not usable", subject, "it was altered after it was written"))
        else:
            said = _shown(body) if b"\\u0000" in line else body
            found.records.append({**said, "id": own})
            if said != body:
                found.findings.append(
                    find("assumed of a file", subject, f"it holds a NUL character, which reads as {_NUL_SHOWN}",
                         todo=f"Withdraw record {own} and enter it again without that character.")
                )  # fmt: skip
    gather.raise_if_any()
    return found


def read(folder: Path) -> Records:
    """Read all logs of a ground: records in the order of their time, each once.

    A copy that a synchronising program made of a log, when two machines wrote at once, is read like any other log, so
    nothing is lost and nothing counts twice.

    Parameters
    ----------
    folder : Path
        The ground's ``records`` folder; it may be missing.

    Raises
    ------
    InputError
        When a log cannot be opened or was written by a newer version of this program.
    """
    if folder.exists() and not folder.is_dir():
        raise InputError.of(str(folder), "it is a file where the folder of records belongs", "Move it away.")
    gather = Gather()
    every: dict[str, dict[str, Any]] = {}
    findings: list[Finding] = []
    for path in sorted(folder.glob(f"*{_ENDING}")) if folder.is_dir() else ():
        if path.name.encode("utf-8", "replace").decode() != path.name:
            gather.add(ascii(path.name), "its name is no UTF-8", "Give it a plain name.")
            continue
        if path.exists() and not path.is_file() and not path.is_dir():  # to open a pipe would wait for ever
            gather.add(str(path), "it is no ordinary file", "Copy what it holds into a file.")
            continue
        try:
            part = parse(path.read_bytes(), path.name)
        except OSError as error:
            gather.add(str(path), f"cannot be read ({error.strerror})", "Mend its permissions or put it right.")
            continue
        except InputError as error:
            gather.take(error)
            continue
        findings += part.findings
        for record in part.records:
            every.setdefault(record["id"], record)
    for path in sorted(folder.glob(f"*{_ASIDE}")) if folder.is_dir() else ():
        findings.append(
            find(
                "record not usable",
                path.name,
                "holds what a crash left half written",
                todo="Enter again what it says, then delete the file.",
            )
        )
    gather.raise_if_any()
    return Records(_in_time(every.values()), findings)


def _in_time(records: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    return sorted(records, key=lambda record: datetime.fromisoformat(str(record["when"])))
