"""Kill, starve, lock and race everything that writes, a few hundred times, and print what was survived.

Each trial starts from a fresh copy of a small ground, runs one command in a process of its own, and does something to
it: SIGKILL at a random moment or at one of its steps on the disk, a disk with no room left, a folder that can only be
read, another program that holds the file, several of them at once. Then everything on the disk must be as before or as
after, whole; every record that was acknowledged must be there and nothing torn may count as one; and the same command
must work at once, with nothing to clear away by hand. Anything else is printed as lost, and the exit code is 1. A
killed process is no power cut: what the system had not yet put on the disk by itself is not tested here.
"""

from __future__ import annotations

import argparse
import contextlib
import gc
import hashlib
import json
import logging
import multiprocessing  # noqa: F401 (loaded before any fork)
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from cemgis import invent, pipeline
from cemgis.errors import InputError
from cemgis.files import geopackage, lock
from cemgis.files import records as record_files
from cemgis.layers import LAYERS
from cemgis.pipeline.evidence import read_ground

DEMO = Path(__file__).parents[1] / "data" / "demo"
SAID = {"who": "E. Tarn", "why": "seen again"}
NOBODY = 65534
HELD_S = 0.4  # how long a command of a trial waits for another writer

Act = Callable[[Path], Any]


@dataclass(frozen=True)
class Command:
    """Something that writes: how it is called, and what a trial needs to know of it."""

    name: str
    act: Act
    prepare: Callable[[Path], None] = lambda _: None
    logs: bool = False  # it adds to the records
    kills: int = 40
    quick: int = 0  # kills of a short run; 0 leaves it out


@dataclass
class Tally:
    """What came of the trials of one kind."""

    trials: int = 0
    came: Counter[str] = field(default_factory=Counter)
    lost: list[str] = field(default_factory=list)


# ---- the commands ---------------------------------------------------------------------------------------------------


def _build(folder: Path) -> None:
    pipeline.build(folder, with_maps=False)


_computed: dict[str, Any] = {}


def _compute(folder: Path) -> None:
    """Compute what `_write` writes, once, before it is killed a hundred times."""
    _touch_evidence(folder)
    _computed["run"] = pipeline.compute(folder)


def _write(folder: Path) -> None:
    made = _computed["run"]
    geopackage.write_ground(
        folder / "ground.gpkg", {name: table for name, table in made.tables.items() if name in LAYERS},
        unit=made.ground.unit, crs=made.ground.crs.crs, stamp=made.as_of, title=made.ground.name,
    )  # fmt: skip


def _build_maps(folder: Path) -> None:
    pipeline.build(folder)


def _touch_evidence(folder: Path) -> None:
    """Change what a build makes: one space gets a note, as a record."""
    record_files.append(
        folder / "records", "edits",
        [{"kind": "edit", "layer": "spaces", "key": "A-1-1", "values": {"heads": "east", "heads_reason": "seen"},
          "was": {},
          "crs": _crs(folder), "when": "2025-06-01T12:00:00Z", **SAID}],
    )  # fmt: skip


def _crs(folder: Path) -> str:
    return read_ground(folder).crs.name


def _edit_by_hand(folder: Path) -> None:
    with contextlib.closing(sqlite3.connect(folder / "ground.gpkg")) as connection:
        _know_triggers(connection)
        connection.execute("UPDATE spaces SET heads_reason = 'by hand' WHERE space_id IN ('A-2-1', 'A-2-2', 'A-2-3')")
        connection.commit()


def _know_triggers(connection: sqlite3.Connection) -> None:
    """Give SQLite what the triggers of the spatial index ask for; they change nothing where no shape is touched."""
    for name in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
        connection.create_function(name, 1, lambda _: 0)


def _collect(folder: Path) -> list[str]:
    return [one["id"] for one in pipeline.collect(folder, **SAID).records]


def _judge(folder: Path) -> list[str]:
    marker = json.loads((folder / "doubtful.json").read_text())
    return [pipeline.judge(folder, marker, accept=False, **SAID)["id"]]


def _close(folder: Path) -> list[str]:
    made = pipeline.close_opening(
        folder, "A-5-2", state="opened", day="2025-06-01", without_order="for the survival test", **SAID
    )
    return [made["id"]]


def _withdraw(folder: Path) -> list[str]:
    last = pipeline.list_records(folder)[-1]
    return [pipeline.withdraw(folder, last["id"], **SAID)["id"]]


def _write_order(folder: Path) -> None:
    (folder / "order.toml").write_text(
        'space = "A-6-1"\nperson = "Ada Fenn"\ndate = "2025-06-03"\nordered_by = "J. Fenn"\n', encoding="utf-8"
    )


def _order(folder: Path) -> list[str]:
    planned = pipeline.open_grave(
        folder, "A-6-1", order=folder / "order.toml", container="concrete vault", paper="letter"
    )
    return [pipeline.order_opening(folder, planned, who="E. Tarn")["id"]]


def _append(folder: Path) -> list[str]:
    """Add sixty records in twelve goes, as an application with the package would."""
    made: list[str] = []
    for go in range(12):
        said = [
            {
                "kind": "note",
                "key": f"{os.getpid()}-{go}-{at}",
                "text": "x" * 300,
                "when": "2025-06-01T12:00:00Z",
                **SAID,
            }
            for at in range(5)
        ]
        made += [one["id"] for one in record_files.append(folder / "records", "notes", said, wait_s=60.0)]
        print(json.dumps(made), flush=True)  # acknowledged so far
    return made


def _export(folder: Path) -> None:
    pipeline.hand_on(folder, "geojson", folder / "handed-on")


def _seek(folder: Path) -> None:
    pipeline.seek(folder)


def _move(folder: Path) -> list[str]:
    made = pipeline.record_move(
        folder, "A-6-2", kind="urn placed", who="E. Tarn", day="2025-06-01", person="Ada Fenn", container="brass urn"
    )
    return [made["id"]]


def _foundation(folder: Path) -> list[str]:
    done = pipeline.set_out_foundation(folder, "A-3-2", size="3 ft by 1 ft 2 in", paper="letter")
    made = pipeline.record_foundation(
        folder, "A-3-2", state="set out", who="E. Tarn", day="2025-06-02", note=None, done=done
    )
    return [made["id"]]


def _maps(folder: Path) -> None:
    pipeline.render(folder)


def _publish(folder: Path) -> None:
    pipeline.publish(folder, day="2025-06-01")


def _keep_register(folder: Path) -> None:
    rows = [f"interment,{1950 + 4 * at}-05-01,Ada Fenn {at},A-{1 + at // 4}-{1 + at % 4}" for at in range(16)]
    (folder / "list.csv").write_text("\n".join(["kind,date,name,place", *rows]) + "\n")
    with (folder / "ground.toml").open("a") as toml:
        toml.write('\n[[register]]\nfile = "list.csv"\n')
    pipeline.build(folder, with_maps=False)


def _forecast(folder: Path) -> None:
    pipeline.report_outlook(folder, pipeline.foresee(folder))


def _lay_parcel(folder: Path) -> None:
    shutil.copytree(DEMO / "expansion", folder / "expansion")


def _expand(folder: Path) -> None:
    pipeline.expand(folder, modules=["family lots"])


def _hang_drawing(folder: Path) -> None:
    import numpy as np
    import rasterio

    (folder / "plat").mkdir()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with rasterio.open(
            folder / "plat" / "plan.tif", "w", driver="GTiff", width=200, height=200, count=1, dtype="uint8"
        ) as out:
            out.write(np.full((1, 200, 200), 200, dtype=np.uint8))
    # three lots of the first row, drawn as they were laid out: a foot a pixel
    points = [f"A-{lot},,50,{150 - 16 * (lot - 1)}" for lot in (1, 3, 5, 7)] + ["A-8,,62,150", "A-10,,62,118"]
    (folder / "plat" / "points.csv").write_text("\n".join(["label,corner,column,row", *points]) + "\n")
    with (folder / "ground.toml").open("a") as toml:
        toml.write('\n[[scan]]\nfile = "plat/plan.tif"\npoints = "plat/points.csv"\nplat = "1870"\nmodel = "affine"\n')


def _scan(folder: Path) -> None:
    pipeline.rectify_scans(folder)


def _scan_page(folder: Path) -> None:
    pipeline.scan_pages(folder)


def _new(folder: Path) -> None:
    if (folder / "new" / "ground.toml").exists():  # made by the run that was killed: only its being whole is asked
        return
    pipeline.new_ground(folder / "new", "EPSG:6549")


def _csv(folder: Path) -> None:
    pipeline.write_csv(pipeline.compute(folder, until="spaces"), "spaces", folder / "spaces.csv")


COMMANDS = (
    Command("build", _build, _touch_evidence, kills=24),
    Command("build, from its tables on", _write, _compute, kills=120, quick=6),
    Command("build with maps", _build_maps, _touch_evidence, kills=6),
    Command("collect", _collect, _edit_by_hand, logs=True, kills=40, quick=2),
    Command("judge", _judge, logs=True, kills=16),
    Command("open --record", _order, _write_order, logs=True, kills=6),
    Command("close", _close, logs=True, kills=12),
    Command("withdraw", _withdraw, _touch_evidence, logs=True, kills=40, quick=2),
    Command("append, 12 times 5", _append, logs=True, kills=60, quick=4),
    Command("export", _export, _export, kills=24),
    Command("seek", _seek, kills=6),
    Command("move", _move, logs=True, kills=12),
    Command("foundation", _foundation, logs=True, kills=8),
    Command("maps", _maps, kills=6),
    Command("publish", _publish, _keep_register, kills=12),
    Command("forecast", _forecast, _keep_register, kills=8),
    Command("expand", _expand, _lay_parcel, kills=6),
    Command("scan", _scan, _hang_drawing, kills=12),
    Command("scan --page", _scan_page, _hang_drawing, kills=6),
    Command("new", _new, kills=8),
    Command("spaces --csv", _csv, kills=8),
)
READ_ONLY = ("check", "register", "find", "history", "openings", "crs", "explain")
"""Commands that write nothing of a ground."""
LIKE = {"demo": "build", **dict.fromkeys(("ingest", "fit", "heads", "clearances", "capacity"), "spaces")}
"""Commands that write as another one does."""
CHAIN = 5  # kills of one ground, one after the other, before it is run undisturbed


# ---- one run in a process of its own --------------------------------------------------------------------------------


@dataclass
class Ran:
    """How a process ended: exit code or minus the signal, what it acknowledged and said, its steps on the disk."""

    code: int
    acknowledged: list[str]
    said: str
    steps: int
    first_s: float  # of its first step on the disk
    took_s: float


_TOUCHING = ("os.rename", "os.mkdir", "os.remove", "os.rmdir", "os.truncate", "shutil.rmtree", "sqlite3.connect",
             "fcntl.flock", "tempfile.mkdtemp", "os.link", "os.symlink", "os.chmod")  # fmt: skip


def run(
    act: Act, folder: Path, *, kill_at_s: float | None = None, kill_at_step: int | None = None,
    before: Callable[[], None] = lambda: None,
) -> Ran:  # fmt: skip
    """Run a command in a forked process; kill it after a time, or as it takes a certain step on the disk."""
    reading, writing = os.pipe()
    out = tempfile.TemporaryFile()  # noqa: SIM115 (two processes have it)
    start = time.monotonic()
    gc.collect()
    process = os.fork()
    if process == 0:
        os.close(reading)
        code, said = 0, ""
        try:
            os.dup2(out.fileno(), 1)
            os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
            sys.stdout = os.fdopen(1, "w")
            before()
            steps, first, inside = 0, 0.0, str(folder)

            def watch(event: str, given: tuple[Any, ...]) -> None:
                nonlocal steps, first
                if event == "open":
                    touches = (
                        isinstance(given[1], str) and set(given[1]) & set("wax+") and str(given[0]).startswith(inside)
                    )
                    touches = touches or (given[1] is None and bool(given[2] & (os.O_CREAT | os.O_WRONLY | os.O_RDWR)))
                else:
                    touches = event in _TOUCHING
                if touches:
                    steps += 1
                    first = first or time.monotonic() - start
                    if steps == kill_at_step:
                        os.kill(os.getpid(), signal.SIGKILL)

            sys.addaudithook(watch)
            try:
                made = act(folder) or []
            except InputError as error:
                code, said, made = 2, str(error), []
            except BaseException:
                code, said, made = 3, traceback.format_exc(), []
            os.write(writing, json.dumps([made, said, steps, first]).encode())
        finally:
            os._exit(code)
    os.close(writing)
    if kill_at_s is not None:
        time.sleep(max(0.0, start + kill_at_s - time.monotonic()))
        with contextlib.suppress(ProcessLookupError):
            os.kill(process, signal.SIGKILL)
    told = b""
    with os.fdopen(reading, "rb") as stream:
        told = stream.read()
    _, status = os.waitpid(process, 0)
    took = time.monotonic() - start
    out.seek(0)
    printed = [line for line in out.read().decode(errors="replace").split("\n")[:-1] if line.startswith("[")]
    made, said, steps, first = json.loads(told) if told else ([], "", 0, 0.0)
    acknowledged = made or (json.loads(printed[-1]) if printed else [])
    return Ran(os.waitstatus_to_exitcode(status), acknowledged, said, steps, first, took)


# ---- what must hold -------------------------------------------------------------------------------------------------


def content(folder: Path) -> dict[str, str]:
    """Hash of every file under a folder that a reader would take for one of ours."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not _passing(path.relative_to(folder)) and not _log(path)
    }


def _passing(path: Path) -> bool:
    """Whether a file is a lock, or lies in a hidden place where something is being built."""
    return path.name.endswith(".lock") or any(part.startswith(".") for part in path.parts)


def _log(path: Path) -> bool:
    return path.parent.name == "records"


def litter(folder: Path) -> list[str]:
    return [str(path.relative_to(folder)) for path in folder.rglob("*") if path.name.startswith(".")]


def records_lost(folder: Path, logs: dict[str, bytes], acknowledged: list[str]) -> list[str]:
    """Say what is wrong with the records: something there before, or acknowledged, is gone; a torn line counts."""
    wrong = []
    for name, before in logs.items():
        path = folder / "records" / name
        if not path.exists() or not path.read_bytes().startswith(before):
            wrong.append(f"{name} does not begin as it was")
    found = record_files.read(folder / "records")
    there = {one["id"] for one in found.records}
    gone = [name for name in acknowledged if name not in there]
    if gone:
        wrong.append(f"{len(gone)} acknowledged records are not there")
    for one in found.records:
        bare = {name: value for name, value in one.items() if name != "id"}
        if record_files._id(bare) != one["id"]:
            wrong.append(f"record {one['id']} is not as it was written")
    wrong += [
        f"finding: {item.subject} {item.reason}" for item in found.findings
        if "torn" not in item.reason and "half written" not in item.reason
    ]  # fmt: skip
    return wrong


def _whole_lines(path: Path) -> bytes:
    """Return a log up to its last whole line."""
    head, end, _ = path.read_bytes().rpartition(b"\n")
    return head + end


def _logs(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in (folder / "records").glob("*.jsonl")}


@dataclass
class Trials:
    """Everything that the trials share."""

    work: Path
    base: Path
    rng: random.Random
    tallies: dict[tuple[str, str], Tally] = field(default_factory=dict)
    known: dict[str, tuple[dict[str, str], dict[str, str], Ran, Path]] = field(default_factory=dict)
    number: int = 0

    def fresh(self, command: Command, at: Path | None = None) -> Path:
        """Return a new copy of the command's ground."""
        self.number += 1
        folder = at or self.work / f"trial-{self.number}"
        shutil.copytree(self.known[command.name][3], folder, dirs_exist_ok=at is not None)
        return folder

    def learn(self, command: Command) -> None:
        """Run a command undisturbed: what there is before and after it, and where it touches the disk."""
        ready = self.work / f"ready-{len(self.known)}"
        shutil.copytree(self.base, ready)
        command.prepare(ready)
        after = self.work / "after"
        shutil.rmtree(after, ignore_errors=True)
        shutil.copytree(ready, after)
        ran = run(command.act, after)
        if ran.code != 0:
            raise RuntimeError(f"{command.name} does not work undisturbed: {ran.said}")
        self.known[command.name] = (content(ready), content(after), ran, ready)

    def judge(self, what: str, command: Command, folder: Path, ran: Ran, logs: dict[str, bytes]) -> str:
        """Check a folder after a trial and run the command again; return in a word what came of it."""
        tally = self.tallies.setdefault((what, command.name), Tally())
        tally.trials += 1
        old, new, _, _ = self.known[command.name]
        now = content(folder)
        wrong = [f"{ran.said.strip().splitlines()[-1]}"] if ran.code == 3 else []
        strange = [name for name in now if now[name] not in (old.get(name), new.get(name))]
        wrong += [f"{name} is neither old nor new" for name in strange]
        wrong += [f"{name} is gone" for name in old if name not in now and name in new]
        wrong += records_lost(folder, logs, ran.acknowledged)
        more = [name for name, before in logs.items() if (folder / "records" / name).read_bytes() != before]
        more += [path.name for path in (folder / "records").glob("*.jsonl") if path.name not in logs]
        torn = any("torn" in item.reason for item in record_files.read(folder / "records").findings)
        if command.logs:
            state = "torn line, known as such" if torn else ("recorded" if more else "nothing recorded")
        else:
            changed = {name for name in new if old.get(name) != new[name]}
            done = {name for name in changed if now.get(name) == new[name]}
            state = "all new" if done == changed else ("all old" if not done else "some new, some old")
        if ran.code == 2:
            tally.came["refused with words"] += 1
        tally.came[state] += 1
        if litter(folder):
            tally.came["left something behind"] += 1
        tally.lost += [f"{folder.name}: {text}" for text in wrong]
        return state

    def again(self, what: str, command: Command, folder: Path, acknowledged: list[str], logs: dict[str, bytes]) -> None:
        """Run the command again, undisturbed: nothing that was left behind may be in its way."""
        tally = self.tallies[what, command.name]
        ran = run(command.act, folder)
        _, new, _, _ = self.known[command.name]
        # what was recorded before the kill stands: to record it again may be refused, with words
        if ran.code != 0 and not (command.logs and ran.code == 2):
            tally.lost.append(f"{folder.name}: the next run failed: {ran.said.strip().splitlines()[-1:]}")
        if not command.logs:
            now = content(folder)
            tally.lost += [
                f"{folder.name}: {name} is not new after the next run" for name in new if now.get(name) != new[name]
            ]
        tally.lost += [f"{folder.name}: {text}" for text in records_lost(folder, logs, acknowledged)]
        left = litter(folder)
        if left:
            tally.lost.append(f"{folder.name}: still there after the next run: {', '.join(left[:3])}")
        tally.came["next run works"] += 1

    # ---- what is done to it -----------------------------------------------------------------------------------------

    def kill(self, command: Command, times: int) -> None:
        """Kill it at random moments, half of them while it writes, and at steps on the disk."""
        _, _, known, _ = self.known[command.name]
        steps = list(range(1, known.steps + 1))
        self.rng.shuffle(steps)
        by_step = min(len(steps), times // 2)
        folder, acknowledged = self.fresh(command), list[str]()
        logs = _logs(folder)
        for at in range(times):
            if at < by_step:
                what, ran = "SIGKILL at a step on the disk", run(command.act, folder, kill_at_step=steps[at])
            else:
                start = self.rng.choice((0.0, max(0.0, known.first_s - 0.01)))
                moment = self.rng.uniform(start, known.took_s * 1.02)
                what, ran = "SIGKILL at a random moment", run(command.act, folder, kill_at_s=moment)
            acknowledged += ran.acknowledged
            self.judge(what, command, folder, ran, logs)
            logs = {path.name: _whole_lines(path) for path in (folder / "records").glob("*.jsonl")}
            # a recorded order changes the sheets of the next one
            if at % CHAIN == CHAIN - 1 or at == times - 1 or command.act is _order:
                self.again(what, command, folder, acknowledged, logs)
                shutil.rmtree(folder)
                folder, acknowledged = self.fresh(command), []
                logs = _logs(folder)
        shutil.rmtree(folder)

    def starve(self, command: Command, times: int) -> None:
        """Leave it a little room on a small disk, less than it needs or just as much."""
        _, _, _, ready = self.known[command.name]
        need = 2 * sum(path.stat().st_size for path in ready.rglob("*") if path.is_file()) + (4 << 20)
        for at in range(times):
            with small_disk(self.work / "disk", 2 * need) as disk:
                if disk is None:
                    return
                folder = self.fresh(command, disk / "ground")
                logs = _logs(folder)
                free = shutil.disk_usage(disk).free
                room = 0 if at == 0 else int(need * self.rng.random() ** 3)
                filler = disk / "filler"
                filler.write_bytes(bytes(max(0, free - room)))
                ran = run(command.act, folder)
                what = "no room on the disk"
                self.judge(what, command, folder, ran, logs)
                if ran.code == 2 and "Make room" not in ran.said and "quota" not in ran.said:
                    self.tallies[what, command.name].lost.append(f"refused with other words: {ran.said}")
                filler.unlink()
                self.again(what, command, folder, ran.acknowledged, logs)

    def forbid(self, command: Command) -> None:
        """Make the disk, then the folders, read-only."""
        with small_disk(self.work / "disk", 64 << 20) as disk:
            if disk is not None:
                folder = self.fresh(command, disk / "ground")
                logs = _logs(folder)
                subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
                ran = run(command.act, folder)
                subprocess.run(["mount", "-o", "remount,rw", str(disk)], check=True)
                self._refused("the disk read-only", command, folder, ran, logs)
        folder = self.fresh(command)
        logs = _logs(folder)
        places = [folder, *(path for path in folder.rglob("*") if path.is_dir())]
        for path in places:
            path.chmod(0o555)

        def give_up_rights() -> None:
            if os.geteuid() == 0:
                os.setgroups([])
                os.setgid(NOBODY)
                os.setuid(NOBODY)

        for path in folder.parents:
            if path.owner() == "root" and path != Path("/"):
                path.chmod(path.stat().st_mode | 0o011)
        ran = run(command.act, folder, before=give_up_rights)
        for path in places:
            path.chmod(0o755)
        self._refused("folders read-only", command, folder, ran, logs)
        shutil.rmtree(folder)

    def _refused(self, what: str, command: Command, folder: Path, ran: Ran, logs: dict[str, bytes]) -> None:
        self.judge(what, command, folder, ran, logs)
        if ran.code != 2:
            self.tallies[what, command.name].lost.append(f"not refused with words: {ran.code} {ran.said}")
        self.again(what, command, folder, ran.acknowledged, logs)

    def hold(self, command: Command) -> None:
        """Let another process have the file, or the records, open or locked."""
        for what, holder, refused in HOLDERS:
            folder = self.fresh(command)
            if command.logs != (what == "records locked by a writer"):
                continue
            logs = _logs(folder)
            ready, go = os.pipe()
            other = os.fork()
            if other == 0:
                try:
                    with holder(folder):
                        os.write(go, b"x")
                        signal.pause()
                finally:
                    os._exit(0)
            os.close(go)
            os.read(ready, 1)
            os.close(ready)
            # a ground.gpkg in write-ahead mode is what it is: its bytes are the other program's now
            mode = (folder / "ground.gpkg").read_bytes()
            ran = run(command.act, folder)
            still = (folder / "ground.gpkg").read_bytes() == mode
            os.kill(other, signal.SIGKILL)  # the holder dies without letting go
            os.waitpid(other, 0)
            name = f"held: {what}"
            tally = self.tallies.setdefault((name, command.name), Tally())
            tally.trials += 1
            tally.came["refused with words" if ran.code == 2 else "all new"] += 1
            if ran.code not in (0, 2) or (refused and (ran.code != 2 or not still)):
                tally.lost.append(f"not refused: {ran.code} {ran.said}")
            tally.lost += records_lost(folder, logs, ran.acknowledged)
            for ending in ("-wal", "-shm", "-journal"):  # what a killed holder leaves: open and close it once, as told
                if (folder / f"ground.gpkg{ending}").exists():
                    with contextlib.closing(sqlite3.connect(folder / "ground.gpkg")) as connection:
                        connection.execute("SELECT count(*) FROM gpkg_contents").fetchall()
                        connection.execute("PRAGMA journal_mode = DELETE")
            self.again(name, command, folder, ran.acknowledged, logs)
            shutil.rmtree(folder)

    def race(self, commands: tuple[Command, ...], times: int) -> None:
        """Run several at once on one ground."""
        name = ", ".join(
            f"{many} x {what}" if many > 1 else what for what, many in Counter(c.name for c in commands).items()
        )
        for _ in range(times):
            folder = self.fresh(commands[0])
            logs = _logs(folder)
            tally = self.tallies.setdefault(("at once", name), Tally())
            tally.trials += 1
            pipes = []
            for command in commands:
                reading, writing = os.pipe()
                process = os.fork()
                if process == 0:
                    os.close(reading)
                    ran = run(command.act, folder)
                    os.write(writing, json.dumps([ran.code, ran.acknowledged, ran.said]).encode())
                    os._exit(0)
                os.close(writing)
                pipes.append((process, reading))
            acknowledged: list[str] = []
            for process, reading in pipes:
                with os.fdopen(reading, "rb") as stream:
                    code, made, said = json.loads(stream.read())
                os.waitpid(process, 0)
                acknowledged += made
                tally.came["done" if code == 0 else "refused with words"] += 1
                if code not in (0, 2):
                    tally.lost.append(f"{folder.name}: {said}")
            tally.lost += records_lost(folder, logs, acknowledged)
            # two who withdraw one record in the same second say the same, and it counts once
            if commands[0].act is _append and len(set(acknowledged)) != len(acknowledged):
                tally.lost.append(f"{folder.name}: two records have one id")
            if litter(folder):
                tally.lost.append(f"{folder.name}: left behind: {litter(folder)}")
            ran = run(_write, folder)
            if ran.code != 0:
                tally.lost.append(f"{folder.name}: the next build: {ran.said}")
            tally.came["next run works"] += 1
            shutil.rmtree(folder)


@contextlib.contextmanager
def _sqlite(folder: Path, *statements: str) -> Iterator[None]:
    with contextlib.closing(sqlite3.connect(folder / "ground.gpkg", isolation_level=None)) as connection:
        _know_triggers(connection)
        for statement in statements:
            connection.execute(statement).fetchone()
        yield


@contextlib.contextmanager
def _records(folder: Path) -> Iterator[None]:
    with lock.hold(folder / "records" / "writer.lock"):
        yield


_EDIT = "UPDATE spaces SET heads_reason = 'x' WHERE space_id = 'A-3-1'"
HOLDERS: tuple[tuple[str, Callable[[Path], Any], bool], ...] = (
    ("open and idle", lambda folder: _sqlite(folder), False),
    ("being read (shared lock)", lambda folder: _sqlite(folder, "BEGIN", "SELECT * FROM lots"), True),
    ("about to be written (reserved lock)", lambda folder: _sqlite(folder, "BEGIN IMMEDIATE", _EDIT), True),
    ("being written (exclusive lock)", lambda folder: _sqlite(folder, "BEGIN EXCLUSIVE", _EDIT), True),
    ("write-ahead, read", lambda folder: _sqlite(folder, "PRAGMA journal_mode = WAL", "SELECT * FROM lots"), True),
    ("records locked by a writer", _records, True),
)


@contextlib.contextmanager
def small_disk(place: Path, size: int) -> Iterator[Path | None]:
    """Mount a small disk in memory; None where that is not allowed."""
    place.mkdir(exist_ok=True)
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "none", str(place)], capture_output=True, check=False
    ) if shutil.which("mount") and os.geteuid() == 0 else None  # fmt: skip
    if done is None or done.returncode != 0:
        yield None
        return
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)


# ---- the ground -----------------------------------------------------------------------------------------------------


def small_ground(folder: Path) -> Path:
    """Make and build a small ground with a marker in doubt and a container."""
    made = invent.ground(8, found=0.8, bad=0.15, sections=1, lots=12, pattern="rows with walks", crs="EPSG:6549")
    for name, data in made.files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    toml = (folder / "ground.toml").read_text()
    toml += '\n[[container]]\nname = "concrete vault"\nlength = "86 in"\nwidth = "30 in"\nheight = "24 in"\n'
    toml += '\n[public]\nlicence = "CC0 1.0"\n'
    (folder / "ground.toml").write_text(toml)
    run_ = pipeline.build(folder, with_maps=False)
    doubtful = sorted(run_.facts["set_aside"])
    (folder / "doubtful.json").write_text(json.dumps(doubtful[0]))
    record_files.append(
        folder / "records", "edits",
        [{"kind": "edit", "layer": "spaces", "key": "A-4-1", "values": {"heads": "east", "heads_reason": "first"},
          "was": {}, "crs": _crs(folder),
          "when": "2025-05-01T12:00:00Z", **SAID}],
    )  # fmt: skip
    pipeline.build(folder, with_maps=False)
    return folder


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=float, default=1.0, help="how much of the usual number of trials (default: 1)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--only", action="append", metavar="NAME", help="only these commands, killed, starved, forbidden"
    )
    parser.add_argument("--quick", action="store_true", help="a few of each, without maps and sheets")
    given = parser.parse_args()
    logging.disable(logging.CRITICAL)
    for name in pipeline.__all__:  # all modules: who gave up his rights may not be allowed to read them
        getattr(pipeline, name)
    start = time.monotonic()
    commands = [command for command in COMMANDS if command.quick or not given.quick]
    by_name = {command.name: command for command in commands}
    few = max(2, round(8 * given.times))
    with tempfile.TemporaryDirectory() as scratch:
        trials = Trials(Path(scratch), small_ground(Path(scratch) / "base"), random.Random(given.seed))
        for command in [one for one in commands if not given.only or one.name in given.only]:
            trials.learn(command)
            trials.kill(command, command.quick if given.quick else max(2, round(command.kills * given.times)))
        if given.only:
            for command in [one for one in commands if one.name in given.only]:
                trials.starve(command, few)
                trials.forbid(command)
            return report(trials, time.monotonic() - start)
        write, add, collect, withdraw = (
            by_name[name] for name in ("build, from its tables on", "append, 12 times 5", "collect", "withdraw")
        )
        for command in (write, add) if given.quick else commands:
            trials.starve(command, 2 if given.quick else few)
            if command is write or not (given.quick or command.name in ("build", add.name)):
                trials.forbid(command)
        for command in (write,) if given.quick else (write, withdraw):
            trials.hold(command)
        often = 1 if given.quick else few
        trials.race((add,) * (3 if given.quick else 6), often)
        trials.race((write,) * (2 if given.quick else 4), often)
        trials.race((withdraw,) * 3, often)
        trials.race((collect, add, withdraw), often)
    return report(trials, time.monotonic() - start)


def report(trials: Trials, took_s: float) -> int:
    """Print the table; return the exit code."""
    rows: dict[tuple[str, str], Tally] = {}
    for (what, name), tally in trials.tallies.items():
        kill, many = what.startswith("SIGKILL"), what.startswith(("no room", "the disk", "folders"))
        row = rows.setdefault(("SIGKILL" if kill else what, "all of them" if many else f"`{name}`"), Tally())
        row.trials += tally.trials
        row.came += tally.came
        row.lost += tally.lost
    print("| what was done | to | times | what came of it | lost or torn |")
    print("|---|---|---|---|---|")
    for (what, name), tally in rows.items():
        came = ", ".join(f"{word} {many}" for word, many in tally.came.most_common())
        print(f"| {what} | {name} | {tally.trials} | {came} | {len(tally.lost)} |")
    every = sum(tally.trials for tally in trials.tallies.values())
    lost = [(key, text) for key, tally in trials.tallies.items() for text in tally.lost]
    killed = sum(tally.trials for (what, _), tally in trials.tallies.items() if what.startswith("SIGKILL"))
    print(f"\n{every} trials, {killed} of them kills, {len(lost)} times something was lost or torn; {took_s:.0f} s")
    for (what, name), text in lost[:40]:
        print(f"LOST {what}, {name}: {text}")
    return 1 if lost else 0


if __name__ == "__main__":
    sys.exit(main())
