"""Put hostile strings into every field of every input of the demo, run the commands, look through all that came out.

Two things are done with each string. Every value of the descriptions, and every key they could hold, gets it alone: it
is taken or refused with words. Then all fields that take it get it at once, every list gets a row that holds nothing
else and a row for each of its columns, and the commands run on that, each in a process of its own. Then nothing may
have run or been worked out (pages are parsed: no handler, no script that holds it, no address of that kind; the product
of two numbers in templates and formulas appears nowhere; no cell of a CSV begins a formula), nothing may lie outside
the ground's folder, no command may show a traceback, and memory stays bounded. Anything else is printed, and the exit
code is 1.
"""

from __future__ import annotations

import argparse
import copy
import csv
import html.parser
import io
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import pypdf

from cemgis.errors import InputError
from cemgis.files import records as record_files
from cemgis.ground import parse_ground
from cemgis.layers import LAYERS
from cemgis.opening import parse_order
from cemgis.parcel import parse_parcel
from cemgis.units import FOOT

DEMO = Path(__file__).parents[1] / "data" / "demo"
TOKEN = "hx7q"  # in every string, so that it is found again
SUM, WORKED_OUT = "73129*68927", str(73129 * 68927)
MOST_MB = 1500
STRINGS = {
    "markup": f"\"'></td></title></script><img src=x onerror={TOKEN}()><svg/onload={TOKEN}()>&lt;b&gt;]]>-->",
    "template": f"{{{{{SUM}}}}}${{{SUM}}}#{{{SUM}}}{{% raw %}}<%={SUM}%>#eval(\"{SUM}\")$ {SUM} $ {TOKEN}",
    "formula =": f"={SUM}+{TOKEN}|' /C calc'!A0",
    "formula +": f"+{SUM}+{TOKEN}",
    "formula -": f"-{SUM}+{TOKEN}",
    "formula @": f"@SUM({SUM}){TOKEN}",
    "formula, wide": f"＝{SUM}{TOKEN}",
    "path": f"../../../../../{TOKEN}",
    "path of Windows": f"..\\..\\{TOKEN}",
    "path from the root": f"/tmp/{TOKEN}",
    "control characters": f"a\x01\x07\x1b[31m\x7f\x85\t\r\n{TOKEN}",
    "marks from right to left": f"\u202e{TOKEN}\u2066\u200f\u061c",
    "NUL": f"{TOKEN}\0{TOKEN}",
    "a megabyte": TOKEN + "x" * 1_000_000,
    "a megabyte of words": f"{TOKEN} " * 200_000,
    "statement": f"'; DROP TABLE spaces; --{TOKEN}",
    "address": f"javascript:{TOKEN}()",
}  # fmt: skip
QUICK = {
    "all of them at once": f"{STRINGS['formula =']} {STRINGS['markup']} {{{{{SUM}}}}}${{{SUM}}} \u202e ../../{TOKEN}"
}
FILES = {"file", "occupations", "points", "lots", "outline", "road", "dem", "columns", "sheet", "order", "encoding",
         "withheld"}  # fmt: skip
"""What names a file, or what is in one: the string is no such name, and a ground without its files is no trial."""
NAMES = {"name", "plat", "container", "label", "section", "space", "lot", "kind", "marker_label"}
"""What something else goes by."""


@dataclass
class Told:
    """What came of one string."""

    taken: int = 0  # values of descriptions that take it
    refused: int = 0
    rows: int = 0  # rows of lists, features, waypoints and records that hold it
    commands: Counter[int] = field(default_factory=Counter)  # by exit code
    outputs: int = 0
    megabytes: int = 0
    seconds: float = 0.0
    wrong: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)  # how commands were refused


# ---- descriptions ---------------------------------------------------------------------------------------------------


def literal(value: Any) -> str:
    """Write a value as TOML, tables in one line."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{json.dumps(str(key))} = {literal(item)}" for key, item in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(literal, value)) + "]"
    if isinstance(value, str):
        return json.dumps(value).replace("\x7f", "\\u007f")
    if isinstance(value, bool):
        return str(value).lower()
    return value.isoformat() if hasattr(value, "isoformat") else repr(value)


def toml(table: dict[str, Any]) -> str:
    return "\n".join(f"{json.dumps(key)} = {literal(value)}" for key, value in table.items()) + "\n"


Step = str | int


def leaves(value: Any, path: tuple[Step, ...] = ()) -> Iterator[tuple[Step, ...]]:
    """Yield the path of every value that is no table and no list."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield from leaves(item, (*path, key))
    elif isinstance(value, list):
        for number, item in enumerate(value):
            yield from leaves(item, (*path, number))
    else:
        yield path


def tables(value: Any, path: tuple[Step, ...] = ()) -> Iterator[tuple[Step, ...]]:
    if isinstance(value, dict):
        yield path
        for key, item in value.items():
            yield from tables(item, (*path, key))
    elif isinstance(value, list):
        for number, item in enumerate(value):
            yield from tables(item, (*path, number))


def put(table: dict[str, Any], path: tuple[Step, ...], value: Any) -> dict[str, Any]:
    """Return a copy of a description with one value at a path."""
    made = copy.deepcopy(table)
    at: Any = made
    for step in path[:-1]:
        at = at[step]
    at[path[-1]] = value
    return made


def named(path: tuple[Step, ...]) -> str:
    """Name a path as messages do: ``section[1].title``."""
    return "".join(f"[{step + 1}]" if isinstance(step, int) else f".{step}" for step in path).lstrip(".")


def refused(parse: Any) -> InputError | None:
    try:
        parse()
    except InputError as error:
        return error
    return None


def known_keys(table: dict[str, Any], path: tuple[Step, ...], parse: Any) -> list[str]:
    """Ask a description which keys a table of it may have."""
    error = refused(lambda: parse(toml(put(table, (*path, "zzzz"), 1))))
    said = [problem.remedy for problem in error.problems if "no such key" in problem.what] if error else []
    return re.findall(r"\w+", said[0].partition(":")[2]) if said else []


def is_free(path: tuple[Step, ...]) -> bool:
    """Whether a ground can still be built when this holds anything: it names no file and nothing else."""
    if path == ("name",):
        return True
    whom = path[0] == "withhold" or path[:2] == ("public", "chosen")
    return not FILES & set(path) and path[-1] not in NAMES and not (whom and path[-1] not in ("reason", "note"))


def spoil_description(table: dict[str, Any], parse: Any, text: str, told: Told) -> dict[str, Any]:
    """Give every value, and every key that could be there, the string; return the description with all that take it."""
    paths = list(leaves(table))
    for path in list(tables(table)):
        here: Any = table
        for step in path:
            here = here[step]
        paths += [(*path, key) for key in known_keys(table, path, parse) if key not in here]
    good = []
    for path in paths:
        error = refused(lambda path=path: parse(toml(put(table, path, text))))
        if error is None:
            told.taken += 1
            if is_free(path):
                good.append(path)
        else:
            told.refused += 1
            if not all(problem.what.strip() and problem.remedy.strip() for problem in error.problems):
                told.wrong.append(f"{named(path)} is refused without words")
    made = table
    for path in good:
        trial = put(made, path, text)
        if refused(lambda trial=trial: parse(toml(trial))) is None:
            made = trial
    return made


# ---- lists, features, waypoints, records ----------------------------------------------------------------------------


def spoil_list(path: Path, text: str) -> int:
    """Add a row that holds nothing but the string, and one for each column."""
    said = path.read_text(encoding="utf-8")
    mark = ";" if said.splitlines()[0].count(";") > said.splitlines()[0].count(",") else ","
    rows = list(csv.reader(io.StringIO(said), delimiter=mark))
    width = len(rows[0])
    more = [[text] * width, *([*rows[1][:at], text, *rows[1][at + 1 :]] for at in range(width))]
    out = io.StringIO()
    csv.writer(out, delimiter=mark, lineterminator="\n").writerows([*rows, *more])
    path.write_text(out.getvalue(), encoding="utf-8", newline="")
    return len(more)


def spoil_features(path: Path, layer: str, text: str) -> int:
    whole = json.loads(path.read_text(encoding="utf-8"))
    first = whole["features"][0]
    free = [column.name for column in LAYERS[layer].columns if column.type == "text" and not column.choices]
    free = [name for name in free if name not in ("space_id", "source")]
    more = [first | {"properties": {**first["properties"], LAYERS[layer].key: f"X{at}", name: text}}
            for at, name in enumerate(free)]  # fmt: skip
    more += [first | {"properties": dict.fromkeys(first["properties"], text)}] if layer == "trees" else []
    path.write_text(json.dumps(whole | {"features": whole["features"] + more}), encoding="utf-8")
    return len(more)


def spoil_waypoints(path: Path, text: str) -> int:
    plain = escape("".join(sign for sign in text if sign.isprintable()))
    fields = "".join(f"<{name}>{plain}</{name}>" for name in ("name", "cmt", "desc", "fix", "sat", "time"))
    said = path.read_text(encoding="utf-8")
    at = said.rindex("</gpx>")
    more = f'<wpt lat="40.9" lon="-82.3">{fields}<extensions><solution>{plain}</solution></extensions></wpt>'
    path.write_text(said[:at] + more + said[at:], encoding="utf-8")
    return 1


def spoil_log(path: Path, text: str) -> int:
    sentence = f"$GPGGA,{text},{text},N,{text},W,4,12,0.6,300,M,,M,,*00\r\n"
    with path.open("ab") as handle:
        handle.write(f"{text}\r\n{sentence}".encode("utf-8", "replace"))
    return 2


def spoil(folder: Path, text: str, told: Told) -> None:
    """Put the string into everything a ground is made from."""
    whole = tomllib.loads((folder / "ground.toml").read_text(encoding="utf-8"))
    made = spoil_description(whole, lambda said: parse_ground(said, folder), text, told)
    (folder / "ground.toml").write_text(toml(made), encoding="utf-8")
    ground = parse_ground(toml(made), folder)
    for path in sorted((folder / "orders").glob("*.toml")):
        order = tomllib.loads(path.read_text(encoding="utf-8"))
        made = spoil_description(order, lambda said: parse_order(said, FOOT), text, told)
        kept = {key: order[key] for key in ("space", "person", "authorised_by") if key in order}
        path.write_text(toml(made | kept), encoding="utf-8")
    parcel = tomllib.loads((folder / "expansion" / "meadow.toml").read_text(encoding="utf-8"))
    made = spoil_description(parcel, lambda said: parse_parcel(said, ground, "meadow.toml"), text, told)
    (folder / "expansion" / "meadow.toml").write_text(toml(made | {"outline": parcel["outline"]}), encoding="utf-8")
    for path in sorted(folder.rglob("*.csv")):
        if path.name not in ("section_a.csv", "old_numbers.csv"):  # these are refused as a whole: see `refusals`
            told.rows += spoil_list(path, text)
    for entry in ground.features:
        told.rows += spoil_features(folder / entry.file, entry.layer, text)
    told.rows += spoil_waypoints(folder / "readings" / "autumn.gpx", text)
    told.rows += spoil_log(folder / "readings" / "spring.nmea", text)
    said = {"kind": "edit", "layer": "spaces", "key": "B-1-1", "was": {}, "when": "2025-06-01T12:00:00Z", "who": text,
            "why": text, "crs": ground.crs.name, "values": {"heads_reason": text}}  # fmt: skip
    more = [said | {"key": text}, {"kind": text, "who": text, "why": text, "when": "2025-06-01T12:00:00Z", text: text}]
    for record in (said, *more):
        if refused(lambda record=record: record_files.append(folder / "records", "edits", [record])) is None:
            told.rows += 1


# ---- commands -------------------------------------------------------------------------------------------------------

BUILD = ("build", "{}", "--no-maps")
SHORT = (BUILD, ("publish", "{}", "--as-of", "2025-06-01"), ("export", "{}", "--to", "csv"),
         ("open", "{}", "B-10-2", "--order", "{}/orders/B-10-2.toml", "--container", "concrete vault"))  # fmt: skip
WHOLE = (
    ("build", "{}"), *SHORT[1:], ("check", "{}"), ("register", "{}"), ("find", "{text}", "{}", "--staff"),
    ("history", "{}", "{text}"), ("history", "{}", "B-10-2"), ("export", "{}", "--to", "geojson", "--out", "{}/g"),
    ("export", "{}", "--to", "shapefile", "--out", "{}/s"), ("export", "{}", "--to", "filegdb", "--out", "{}/f.gdb"),
    ("forecast", "{}"), ("seek", "{}", "--section", "B"), ("scan", "{}", "--page"), ("openings", "{}"),
    ("capacity", "{}", "--csv", "{}/capacity.csv"), ("spaces", "{}", "--csv", "{}/spaces.csv"),
    ("close", "{}", "B-10-2", "--state", "opened", "--who", "{text}", "--note", "{text}", "--date", "2026-05-04",
     "--without-order", "{text}"),
    ("withdraw", "{}", "{text}", "--who", "{text}", "--why", "{text}"), ("new", "{}/{text}"),
)  # fmt: skip


def run(words: tuple[str, ...], folder: Path, home: Path, text: str, told: Told) -> None:
    said = [word.replace("{text}", text[:100_000]).replace("{}", str(folder)) for word in words]
    if any("\0" in word for word in said):
        return
    started = time.monotonic()
    out, err = (home / "out").open("w+b"), (home / "err").open("w+b")
    keep = {"HOME": str(home), "TMPDIR": str(home), "OPENBLAS_NUM_THREADS": "1", "MPLCONFIGDIR": str(home / "mpl")}
    with out, err:
        child = subprocess.Popen(
            [sys.executable, "-m", "cemgis", *said], stdout=out, stderr=err, env={**os.environ, **keep}, cwd=home
        )
        _, status, used = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
        for stream in (out, err):
            stream.seek(0)
        printed, complained = out.read().decode(errors="replace"), err.read().decode(errors="replace")
    told.commands[child.returncode] += 1
    told.megabytes = max(told.megabytes, used.ru_maxrss // (1024 if sys.platform != "darwin" else 1 << 20))
    told.seconds += time.monotonic() - started
    name = words[0]
    if child.returncode == 2:
        told.said.append(f"{name}: {complained.strip()[:300]}")
    if child.returncode not in (0, 1, 2) or "Traceback" in complained:
        told.wrong.append(f"{name}: exit code {child.returncode}: {complained.strip().splitlines()[-1:]}")
    if len(printed) + len(complained) > 1 << 20:
        told.wrong.append(f"{name}: says {len(printed) + len(complained):,} characters")
    if "\x1b" in printed + complained or "\x07" in printed + complained:
        told.wrong.append(f"{name}: hands control characters on to the terminal")
    if words in (BUILD, ("build", "{}")) and child.returncode != 0:
        told.wrong.append(f"{name}: refused, so nothing else was tried: {complained[:600]}")


# ---- what came out --------------------------------------------------------------------------------------------------


class Page(html.parser.HTMLParser):
    """Look for anything in a page that would run."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.wrong: list[str] = []
        self.script: str | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note what an element could run."""
        given = dict(attrs)
        self.wrong += [f"<{tag} {name}=...>" for name in given if name.startswith("on")]
        for name in ("href", "src", "action", "formaction", "xlink:href"):
            if re.match(r"\s*(javascript|vbscript|data:text)", given.get(name) or "", re.IGNORECASE):
                self.wrong.append(f"<{tag} {name}={(given[name] or '')[:30]}>")
        self.wrong += [
            f"<{tag}>" for _ in (0,) if tag in ("iframe", "object", "embed", "base") and "srcdoc" not in given
        ]
        self.script = (given.get("type") or "text/javascript") if tag == "script" else None
        if tag == "script" and "src" in given:
            self.wrong.append(f"<script src={given['src']}>")

    def handle_data(self, data: str) -> None:
        """Note a script with the string in it."""
        if self.script in ("text/javascript", "module") and TOKEN in data:
            self.wrong.append(f"a script that holds {data[max(0, data.find(TOKEN) - 30) :][:60]!r}")

    def handle_endtag(self, tag: str) -> None:
        """Note the end of a script."""
        self.script = None if tag == "script" else self.script


FORMULA = ("=", "+", "-", "@", "\t", "\r", "＝", "＋", "－", "＠")


def look_at(path: Path) -> list[str]:
    """Say what is wrong with one file that was made."""
    ending = path.suffix.lower()
    if ending == ".pdf":
        said = "".join(page.extract_text() for page in pypdf.PdfReader(path).pages)
        raw = path.read_bytes()
        return [f"it holds {word!r}" for word in (b"/JavaScript", b"/Launch") if word in raw] + worked_out(said)
    if ending not in (".html", ".csv", ".json", ".geojson", ".txt", ".gpx", ".svg", ".toml"):
        return []
    said = path.read_text(encoding="utf-8", errors="replace")
    wrong = worked_out(said)
    if ending in (".html", ".svg"):
        page = Page()
        page.feed(said)
        wrong += page.wrong
    if ending == ".csv":
        csv.field_size_limit(1 << 30)
        for row in csv.reader(io.StringIO(said)):
            wrong += [f"a cell begins {cell[:20]!r}" for cell in row if cell.startswith(FORMULA) and not number(cell)]
    return wrong


def worked_out(said: str) -> list[str]:
    return [f"somebody worked {SUM} out"] if WORKED_OUT in said else []


def number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def around(home: Path, folder: Path) -> set[str]:
    """Everything beside the ground's folder, down from the folder of the trial."""
    return {
        str(path.relative_to(home)) for path in home.rglob("*")
        if folder not in (path, *path.parents) and path.name not in ("out", "err") and "mpl" not in path.parts
    }  # fmt: skip


def trial(text: str, commands: tuple[tuple[str, ...], ...]) -> Told:
    """Spoil a copy of the demo with one string, run the commands, look through what came out."""
    told = Told()
    with tempfile.TemporaryDirectory() as base:
        home = Path(base) / "home"
        folder = home / "a" / "b" / "c" / "ground"
        shutil.copytree(DEMO, folder)
        spoil(folder, text, told)
        before = {path: path.stat().st_mtime_ns for path in folder.rglob("*") if path.is_file()}
        outside = around(home, folder)
        for words in commands:
            run(words, folder, home, text, told)
        told.wrong += [f"outside of the folder: {name}" for name in sorted(around(home, folder) - outside)[:5]]
        told.wrong += [f"outside of the folder: /tmp/{TOKEN}"] if Path(f"/tmp/{TOKEN}").exists() else []
        for path in sorted(folder.rglob("*")):
            if path.is_file() and before.get(path) != path.stat().st_mtime_ns:
                told.outputs += 1
                told.wrong += [f"{path.relative_to(folder)}: {what}" for what in look_at(path)][:5]
    if told.megabytes > MOST_MB:
        told.wrong.append(f"{told.megabytes} MB of memory")
    return told


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="one string and four commands, for the tests")
    parser.add_argument("--only", metavar="WORD", default="", help="only the strings whose name holds this")
    parser.add_argument("--tell", action="store_true", help="print how commands were refused")
    given = parser.parse_args()
    strings = QUICK if given.quick else {name: text for name, text in STRINGS.items() if given.only in name}
    heads = ("string", "values that take it", "refused", "rows", "commands: done, refused", "files looked through",
             "peak, MB", "s", "wrong")  # fmt: skip
    print(f"| {' | '.join(heads)} |\n|{'---|' * len(heads)}")
    wrong = 0
    for name, text in strings.items():
        told = trial(text, SHORT if given.quick else WHOLE)
        done = told.commands[0] + told.commands[1]
        commands = f"{done}, {sum(told.commands.values()) - done}"
        cells = (name, told.taken, told.refused, told.rows, commands, told.outputs, f"{told.megabytes:,}",
                 f"{told.seconds:.0f}", len(told.wrong))  # fmt: skip
        print(f"| {' | '.join(map(str, cells))} |", flush=True)
        wrong += len(told.wrong)
        for line in [*told.wrong, *(told.said if given.tell else [])]:
            print(f"  {name}: {line}", file=sys.stderr, flush=True)
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
