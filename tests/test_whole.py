"""All-or-nothing writes: the old file or the new one, whole, whatever goes wrong, and nothing beside it."""

from __future__ import annotations

import errno
import os
import stat
import subprocess
import sys
import tempfile
import threading
from pathlib import Path

import pytest

from cemgis.errors import InputError
from cemgis.files import whole as whole_module
from cemgis.files.lock import hold
from cemgis.files.whole import whole, whole_folder, write_bytes, write_text

POSIX = pytest.mark.skipif(os.name == "nt", reason="POSIX only")
TESTS = str(Path(__file__).parent)


def names(folder: Path) -> list[str]:
    return sorted(item.name for item in folder.iterdir())


def test_the_file_appears_whole_and_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "sheet.pdf"
    with whole(path) as beside:
        beside.write_bytes(b"new")
        assert not path.exists()
        assert beside.name == path.name
        assert beside.stat().st_dev == tmp_path.stat().st_dev
    assert path.read_bytes() == b"new"
    assert names(tmp_path) == ["sheet.pdf"]


def test_an_error_in_the_block_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    path.write_text("old")

    def build(beside: Path) -> None:
        beside.write_text("half")
        beside.with_name("a.txt-journal").write_text("x")
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError), whole(path) as beside:
        build(beside)
    assert path.read_text() == "old"
    assert names(tmp_path) == ["a.txt"]


def test_a_block_that_builds_nothing_is_told(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    path.write_text("old")
    with pytest.raises(InputError, match="nothing was built"), whole(path):
        pass
    assert path.read_text() == "old"
    assert names(tmp_path) == ["a.txt"]


def test_a_reader_sees_the_old_or_the_new_never_a_part(tmp_path: Path) -> None:
    path = tmp_path / "a.bin"
    size = 300_000
    write_bytes(path, b"0" * size)
    seen: set[bytes] = set()
    broken: list[int] = []
    stop = threading.Event()

    def watch() -> None:
        while not stop.is_set():
            content = path.read_bytes()
            seen.add(content[:1])
            if len(content) != size or len(set(content)) != 1:
                broken.append(len(content))

    watcher = threading.Thread(target=watch)
    watcher.start()
    for digit in b"123456789":
        write_bytes(path, bytes([digit]) * size)
    stop.set()
    watcher.join()
    assert broken == []
    assert seen <= {bytes([digit]) for digit in b"0123456789"}
    assert path.read_bytes() == b"9" * size


@POSIX
def test_a_killed_run_leaves_the_old_file_and_the_next_run_clears_up(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    path.write_text("old")
    code = (
        "import os, signal, sys; from cemgis.files.whole import whole\n"
        "with whole(sys.argv[1]) as beside:\n"
        "    beside.write_text('half'); os.kill(os.getpid(), signal.SIGKILL)"
    )
    done = subprocess.run([sys.executable, "-c", code, str(path)], check=False)
    assert done.returncode == -9
    assert path.read_text() == "old"
    assert len(names(tmp_path)) == 2
    write_text(path, "new")
    assert path.read_text() == "new"
    assert names(tmp_path) == ["a.txt"]


@POSIX
def test_what_was_killed_before_it_had_a_lock_is_cleared_away(tmp_path: Path) -> None:
    (tmp_path / ".a.txt.building-x").mkdir()  # the first step of a run, and no other
    write_text(tmp_path / "a.txt", "new")
    assert names(tmp_path) == ["a.txt"]


def stopped(path: Path) -> None:
    """Begin a folder and break off."""

    def begin() -> None:
        with whole_folder(path) as beside:
            beside.mkdir()
            raise RuntimeError("stop")

    with pytest.raises(RuntimeError, match="stop"):
        begin()


def test_a_folder_appears_whole_and_replaces_the_one_before(tmp_path: Path) -> None:
    path = tmp_path / "a"
    for text in ("old", "new"):
        with whole_folder(path) as beside:
            (beside / "in").mkdir(parents=True)
            (beside / "in" / text).write_text(text)
            assert (names(path / "in") if path.exists() else []) == (["old"] if text == "new" else [])
    assert names(path / "in") == ["new"]
    assert names(tmp_path) == ["a"]
    stopped(path)
    with pytest.raises(InputError, match="nothing was built"), whole_folder(path):
        pass
    assert names(path / "in") == ["new"]
    assert names(tmp_path) == ["a"]


def test_a_system_that_cannot_exchange_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(whole_module, "_exchange", lambda *_: False)
    test_a_folder_appears_whole_and_replaces_the_one_before(tmp_path)


@POSIX
def test_a_folder_killed_between_old_and_new_comes_back(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.mkdir()
    (path / "old").write_text("old")
    code = (
        "import os, signal, sys; from pathlib import Path; from cemgis.files import whole\n"
        "whole._exchange = lambda *_: False\n"
        "def kill(self, to):\n    os.rename(self, to); os.kill(os.getpid(), signal.SIGKILL)\n"
        "with whole.whole_folder(sys.argv[1]) as beside:\n    beside.mkdir(); Path.rename = kill\n"
    )
    assert subprocess.run([sys.executable, "-c", code, str(path)], check=False).returncode == -9
    assert not path.exists()
    stopped(path)
    assert names(tmp_path) == ["a"]
    assert names(path) == ["old"]


@POSIX
def test_a_run_does_not_clear_up_one_that_still_works(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    code = (
        "import sys; from cemgis.files.whole import whole\n"
        "with whole(sys.argv[1]) as beside:\n"
        "    beside.write_text('slow'); print('building', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "building\n"
        write_text(path, "fast")
        assert path.read_text() == "fast"
        other.communicate("")
    assert other.returncode == 0
    assert path.read_text() == "slow"
    assert names(tmp_path) == ["a.txt"]


def as_nobody(code: str, path: Path) -> str:
    """Run code as a user without rights: root may write anywhere."""
    drop = "import os\nif os.getuid() == 0: os.setgid(65534); os.setuid(65534)\n"
    done = subprocess.run(
        [sys.executable, "-c", "import cemgis.files.whole\n" + drop + code, str(path)],
        check=False, capture_output=True, text=True,
    )  # fmt: skip
    return done.stdout + done.stderr


WRITE = """
import sys
from cemgis.errors import InputError
from cemgis.files.whole import write_text
try:
    write_text(sys.argv[1], "new")
except InputError as error:
    print(error)
"""


@POSIX
def test_a_folder_that_cannot_be_written(tmp_path: Path) -> None:
    folder = tmp_path / "locked"
    folder.mkdir()
    path = folder / "a.txt"
    path.write_text("old")
    for parent in (tmp_path, *tmp_path.parents[:3]):  # one more where tests run side by side
        if parent.stat().st_uid == os.getuid() and parent != Path(tempfile.gettempdir()):
            parent.chmod(0o755)
    folder.chmod(0o555)
    try:
        said = as_nobody(WRITE, path)
    finally:
        folder.chmod(0o755)
    assert "a.txt: not written, no permission to write here. Make the folder writable" in said
    assert path.read_text() == "old"
    assert names(folder) == ["a.txt"]


def test_a_write_protected_file_is_not_replaced(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    path.write_text("old")
    path.chmod(stat.S_IREAD)
    with pytest.raises(InputError, match="write-protected"):
        write_text(path, "new")
    path.chmod(stat.S_IREAD | stat.S_IWRITE)
    assert path.read_text() == "old"
    assert names(tmp_path) == ["a.txt"]


@POSIX
def test_a_full_disk(tmp_path: Path) -> None:
    # A limit on the size of a file fails the same call as a full disk does.
    path = tmp_path / "a.bin"
    path.write_bytes(b"old")
    code = """
import resource, sys
from cemgis.errors import InputError
from cemgis.files.whole import write_bytes
resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, 10_000))
try:
    write_bytes(sys.argv[1], bytes(20_000))
except InputError as error:
    print(error)
"""
    done = subprocess.run([sys.executable, "-c", code, str(path)], check=True, capture_output=True, text=True)
    assert "not written, the disk is full, or its quota. Make room and run it again." in done.stdout
    assert path.read_bytes() == b"old"
    assert names(tmp_path) == ["a.bin"]


def test_a_rename_the_system_forbids(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # On Windows a file that a program holds open cannot be replaced: os.replace fails with error 32.
    path = tmp_path / "a.txt"
    path.write_text("old")

    def refuse(self: Path, target: Path) -> None:
        error = PermissionError(errno.EACCES, "The process cannot access the file", str(self))
        error.winerror = 32  # type: ignore[attr-defined]
        raise error

    monkeypatch.setattr(Path, "replace", refuse)
    with pytest.raises(InputError, match=r"another program has it open\. Close it there"):
        write_text(path, "new")
    assert path.read_text() == "old"
    assert names(tmp_path) == ["a.txt"]


def test_names_that_cannot_be(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="a folder has that name"):
        write_text(tmp_path, "x")
    with pytest.raises(InputError, match="Make the folder first"):
        write_text(tmp_path / "none" / "a.txt", "x")
    (tmp_path / "file").write_text("x")
    with pytest.raises(InputError, match="its folder is a file"):
        write_text(tmp_path / "file" / "a.txt", "x")


def test_long_names_work(tmp_path: Path) -> None:
    path = tmp_path / ("é" * 120 + ".txt")
    write_text(path, "x")
    assert path.read_text() == "x"
    assert len(names(tmp_path)) == 1


def test_an_error_about_another_file_stays_what_it_was(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError), whole(tmp_path / "a.txt") as beside:
        beside.write_bytes((tmp_path / "source.txt").read_bytes())
    assert names(tmp_path) == []


@POSIX
def test_a_link_is_followed_and_the_mode_kept(tmp_path: Path) -> None:
    (tmp_path / "far").mkdir()
    real = tmp_path / "far" / "a.txt"
    real.write_text("old")
    real.chmod(0o664)
    link = tmp_path / "a.txt"
    link.symlink_to(real)
    write_text(link, "new")
    assert link.is_symlink()
    assert real.read_text() == "new"
    assert stat.S_IMODE(real.stat().st_mode) == 0o664
    fresh = tmp_path / "fresh.txt"
    write_text(fresh, "x")
    mask = os.umask(0)
    os.umask(mask)
    assert stat.S_IMODE(fresh.stat().st_mode) == 0o666 & ~mask


# ---- the lock -------------------------------------------------------------------------------------------------------


def test_one_writer_at_a_time(tmp_path: Path) -> None:
    path = tmp_path / "writer.lock"
    code = (
        "import sys; from pathlib import Path; from cemgis.files.lock import hold\n"
        "with hold(Path(sys.argv[1])):\n    print('held', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        with pytest.raises(InputError, match=f"process {other.pid}"), hold(path, wait_s=0.1):
            pass
        other.kill()
        other.wait()
        # Its text is still there, its lock is not.
        assert path.read_bytes()
        with hold(path, wait_s=5.0):
            pass
    assert path.read_bytes() == b""


def test_another_machines_lock_is_respected(tmp_path: Path) -> None:
    path = tmp_path / "writer.lock"
    path.write_text('{"machine": "office-2", "process": 17, "user": "tarn"}')
    with pytest.raises(InputError, match=r"tarn on office-2 is writing here.*delete writer\.lock"), hold(path):
        pass
    path.write_text("")
    with hold(path):
        pass


@POSIX
def test_a_folder_nobody_may_look_into(tmp_path: Path) -> None:
    folder = tmp_path / "shut"
    folder.mkdir()
    for parent in (tmp_path, *tmp_path.parents[:3]):
        if parent.stat().st_uid == os.getuid() and parent != Path(tempfile.gettempdir()):
            parent.chmod(0o755)
    folder.chmod(0o600)
    try:
        said = as_nobody(WRITE, folder / "a.txt")
    finally:
        folder.chmod(0o755)
    assert "no permission" in said
    assert "Traceback" not in said
