"""What is kept on disk comes back whole under its own key, and is nothing otherwise."""

import json
import os
import stat
import subprocess
import sys
import time
import zlib

import numpy as np
import pytest

from dialbench import kept

KEY = {"format": "1", "made of": "sunlight"}
ARRAYS = {
    "rows": np.arange(60, dtype=np.float32).reshape(3, 4, 5),
    "times": np.array([-(2**62), 0, 2**62]),
    "flags": np.array([True, False]),
    "one": np.float64(3.25).reshape(()),
    "none": np.zeros((0, 7)),
}


@pytest.fixture(autouse=True)
def cache(tmp_path, monkeypatch):
    """The folder of this test alone."""
    folder = tmp_path / "cache"
    monkeypatch.setenv("DIALBENCH_CACHE", str(folder))
    return folder


def same(found, wanted=ARRAYS):
    assert found is not None and list(found) == list(wanted)
    for name, array in wanted.items():
        assert found[name].dtype == array.dtype and found[name].shape == array.shape
        assert (found[name] == array).all()
        assert not found[name].flags.writeable


@pytest.mark.parametrize("mapped", [False, True])
def test_arrays_come_back_as_they_were(mapped):
    assert kept.load("a", KEY, mapped) is None
    kept.save("a", KEY, ARRAYS)
    same(kept.load("a", KEY, mapped))
    kept.save("nothing", KEY, {})
    assert kept.load("nothing", KEY, mapped) == {}


def test_arrays_that_lie_crosswise_or_backwards_come_back():
    crosswise = {
        "t": np.arange(12).reshape(3, 4).T,
        "r": np.arange(5)[::-1],
        "big": ARRAYS["times"].astype(">i8"),
    }
    kept.save("a", KEY, crosswise)
    same(kept.load("a", KEY), crosswise)


def test_arrays_lie_where_a_processor_likes_them():
    kept.save("a", KEY, ARRAYS)
    found = kept.load("a", KEY, mapped=True)
    assert all(array.ctypes.data % 64 == 0 for array in found.values() if array.size)


@pytest.mark.parametrize("key", [{}, {**KEY, "format": "2"}, {**KEY, "more": ""}, {"format": "1"}])
def test_another_key_finds_nothing(key):
    kept.save("a", KEY, ARRAYS)
    assert kept.load("a", key) is None
    assert kept.load("a", key, mapped=True) is None


def test_the_last_one_saved_stays(cache):
    kept.save("a", {"format": "old"}, ARRAYS)
    kept.save("a", KEY, ARRAYS)
    assert kept.load("a", {"format": "old"}) is None
    same(kept.load("a", KEY))
    assert len(list(cache.iterdir())) == 1


def test_no_byte_of_a_file_may_change(cache):
    kept.save("a", KEY, ARRAYS)
    [path] = cache.iterdir()
    good = path.read_bytes()
    line = good.index(b"\n") + 1
    padding = range(line, -(-line // 64) * 64)
    for place in range(len(good)):
        path.write_bytes(good[:place] + bytes([good[place] ^ 0x15]) + good[place + 1 :])
        if place in padding:
            same(kept.load("a", KEY))
        else:
            assert kept.load("a", KEY) is None, place


@pytest.mark.parametrize("mapped", [False, True])
def test_a_file_cut_or_grown_is_nothing(cache, mapped):
    kept.save("a", KEY, ARRAYS)
    [path] = cache.iterdir()
    good = path.read_bytes()
    for size in range(0, len(good), 7):
        path.write_bytes(good[:size])
        assert kept.load("a", KEY, mapped) is None
    path.write_bytes(good + b"\0")
    assert kept.load("a", KEY, mapped) is None


def forged(path, data=b"\0" * 64, **changed):
    """A file of ours but for what its first line says; its checksums are right."""
    head = {"format": "dialbench kept 1", "key": KEY, "bytes": len(data), **changed}
    head["crc32"] = zlib.crc32(data)
    head["head_crc32"] = zlib.crc32(json.dumps(head, sort_keys=True).encode())
    first = json.dumps(head).encode() + b"\n"
    path.write_bytes(first.ljust(-(-len(first) // 64) * 64, b"\0") + data)


@pytest.mark.parametrize("mapped", [False, True])
@pytest.mark.parametrize(
    "arrays",
    [
        {"a": ["|O", [8], 0]},
        {"a": ["<U4", [2], 0]},
        {"a": ["V8", [8], 0]},
        {"a": ["no type", [8], 0]},
        {"a": ["<f8", [9], 0]},
        {"a": ["<f8", [10**12], 0]},
        {"a": ["<f8", [-2], 0]},
        {"a": ["<f8", [8], 8]},
        {"a": ["<f8", [8], -8]},
        {"a": ["<f8", [1], 10**30]},
        {"a": ["<f8", ["x"], 0]},
        {"a": ["<f8", 8, 0]},
        {"a": ["<f8", [8]]},
        {"a": None},
        [],
        None,
    ],
    ids=str,
)
def test_a_first_line_that_lies_is_nothing(cache, mapped, arrays):
    cache.mkdir()
    path = cache / "a.kept"
    forged(path, arrays={"a": ["<f8", [8], 0]})
    assert (kept.load("a", KEY, mapped)["a"] == 0).all()
    forged(path, arrays=arrays)
    assert kept.load("a", KEY, mapped) is None


@pytest.mark.parametrize(
    "text",
    [b"", b"{}", b"[]\n", b"1\n", b"null\n", b"\xff\n", b"{" * 100_000, b"[" * 60_000 + b"\n"],
)
def test_a_foreign_file_is_nothing(cache, text):
    cache.mkdir()
    (cache / "a.kept").write_bytes(text)
    assert kept.load("a", KEY) is None
    assert kept.load("a", KEY, mapped=True) is None


def test_names_stay_within_the_folder():
    for name in ("", "../a", "a/b", ".a", "a\0b", "a" * 101):
        with pytest.raises(ValueError, match="no name"):
            kept.load(name, KEY)
        with pytest.raises(ValueError, match="no name"):
            kept.save(name, KEY, ARRAYS)


def test_only_plain_numbers_are_kept(cache):
    for array in (np.array([{}]), np.array(["a"]), np.zeros(2, "M8[s]")):
        with pytest.raises(TypeError, match="no plain number"):
            kept.save("a", KEY, {"x": array})
    assert not cache.exists()


def test_a_folder_that_cannot_be_is_no_error(cache, monkeypatch, tmp_path):
    cache.write_text("a file where the folder should be")
    kept.save("a", KEY, ARRAYS)
    assert kept.load("a", KEY) is None
    monkeypatch.setenv("DIALBENCH_CACHE", "/proc/no/such")
    kept.save("a", KEY, ARRAYS)
    assert kept.load("a", KEY) is None


def test_a_full_disk_is_no_error_and_leaves_nothing_behind(cache, monkeypatch):
    def full(handle):
        raise OSError(28, "No space left on device")

    kept.save("before", KEY, ARRAYS)
    monkeypatch.setattr(os, "fsync", full)
    kept.save("a", KEY, ARRAYS)
    assert [path.name for path in cache.iterdir()] == ["before.kept"]


def test_the_least_recently_used_go_when_there_is_too_much(cache, monkeypatch):
    one = {"x": np.zeros(1000)}
    for name in "abcd":
        kept.save(name, KEY, one)
    size = (cache / "a.kept").stat().st_size
    for age, name in enumerate("abcd"):
        os.utime(cache / f"{name}.kept", (0, time.time() - 1000 + age))
    (cache / "mine.txt").write_bytes(b"x" * 10_000)
    same(kept.load("a", KEY), one)  # used last
    monkeypatch.setattr(kept, "MAX_BYTES", 3 * size)
    kept.save("e", KEY, one)
    assert {path.name for path in cache.iterdir()} == {"a.kept", "d.kept", "e.kept", "mine.txt"}


def test_what_alone_is_too_much_is_not_kept(cache, monkeypatch):
    monkeypatch.setattr(kept, "MAX_BYTES", 1000)
    kept.save("a", KEY, {"x": np.zeros(1000)})
    assert not cache.exists()


def test_what_a_killed_process_left_goes_after_a_day(cache):
    kept.save("a", KEY, ARRAYS)
    old, new = cache / "b.keptxyz.tmp", cache / "c.keptxyz.tmp"
    for path in (old, new):
        path.write_bytes(b"half")
    os.utime(old, (0, time.time() - 90_000))
    kept.save("a", KEY, ARRAYS)
    assert (old.exists(), new.exists()) == (False, True)


def test_without_the_variable_it_is_the_users_cache_folder(monkeypatch, tmp_path):
    monkeypatch.delenv("DIALBENCH_CACHE")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    monkeypatch.setenv("HOME", str(tmp_path))
    assert tmp_path in kept.folder().parents
    assert kept.folder().name == "dialbench"


WRITER = """
import sys, numpy as np
from dialbench import kept
for k in range(60):
    kept.save("shared", {"format": "1"}, {"x": np.full(20_000, int(sys.argv[1]))})
"""


def test_two_processes_at_once_never_show_half_a_file(cache):
    writers = [subprocess.Popen([sys.executable, "-c", WRITER, str(k)]) for k in (1, 2)]
    seen = set()
    while any(writer.poll() is None for writer in writers):
        found = kept.load("shared", {"format": "1"})
        if found is not None:
            assert found["x"].shape == (20_000,)
            assert np.ptp(found["x"]) == 0
            seen.add(int(found["x"][0]))
    assert [writer.returncode for writer in writers] == [0, 0]
    assert seen and seen <= {1, 2}
    assert [path.name for path in cache.iterdir()] == ["shared.kept"]


def test_files_are_of_their_owner_alone(cache):
    kept.save("a", KEY, ARRAYS)
    [path] = cache.iterdir()
    assert stat.S_IMODE(path.stat().st_mode) & 0o077 == 0
