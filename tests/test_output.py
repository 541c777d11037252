import os
import stat
from pathlib import Path

import pytest

from ringscan.errors import OutputError
from ringscan.output import keep_apart, write_whole, writing_whole


def test_writes_new_file_and_replaces_old_one(tmp_path: Path) -> None:
    path = tmp_path / "out.bin"
    write_whole(path, b"one")
    assert path.read_bytes() == b"one"
    write_whole(path, b"second")
    assert path.read_bytes() == b"second"
    assert os.listdir(tmp_path) == ["out.bin"]


@pytest.mark.skipif(os.name != "posix", reason="modes are POSIX")
@pytest.mark.parametrize(("umask", "mode"), [(0o022, 0o644), (0o077, 0o600), (0o002, 0o664)])
def test_mode_follows_the_umask(tmp_path: Path, umask: int, mode: int) -> None:
    before = os.umask(umask)
    try:
        write_whole(tmp_path / "out.bin", b"data")
        assert os.umask(umask) == umask
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "out.bin").stat().st_mode) == mode


def test_the_mask_of_the_process_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def changed(_: int) -> int:
        raise AssertionError("other threads would write with this mask")

    monkeypatch.setattr(os, "umask", changed)
    write_whole(tmp_path / "out.bin", b"data")


@pytest.mark.skipif(os.name != "posix", reason="modes are POSIX")
@pytest.mark.parametrize("mode", [0o600, 0o640, 0o400, 0])
def test_a_private_file_is_private_while_it_is_written(tmp_path: Path, mode: int) -> None:
    path = tmp_path / "private"
    path.write_bytes(b"old")
    path.chmod(mode)
    with writing_whole(path) as file:
        file.write(b"new")
        (begun,) = tmp_path.glob(".ringscan-*")
        assert stat.S_IMODE(begun.stat().st_mode) | mode == mode
    assert stat.S_IMODE(path.stat().st_mode) == mode
    path.chmod(0o600)
    assert path.read_bytes() == b"new"


def test_follows_links(tmp_path: Path) -> None:
    (tmp_path / "real").write_bytes(b"old")
    (tmp_path / "link").symlink_to(tmp_path / "real")
    write_whole(tmp_path / "link", b"new")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real").read_bytes() == b"new"


def test_devices_stay_devices() -> None:
    write_whole(Path("/dev/null"), b"data")
    assert stat.S_ISCHR(os.stat("/dev/null").st_mode)


def test_folder_that_does_not_exist(tmp_path: Path) -> None:
    path = tmp_path / "nowhere" / "out.pdf"
    with pytest.raises(OutputError) as caught:
        write_whole(path, b"data")
    assert str(caught.value) == (
        f"{path}: cannot be written: there is no folder '{tmp_path / 'nowhere'}'"
    )
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize("name", ["folder", "file/out.pdf", "n" * 300])
def test_impossible_targets(tmp_path: Path, name: str) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "file").write_bytes(b"untouched")
    with pytest.raises(OutputError, match="cannot be written: ") as caught:
        write_whole(tmp_path / name, b"data")
    assert "\n" not in str(caught.value)
    assert sorted(os.listdir(tmp_path)) == ["file", "folder"]
    assert (tmp_path / "file").read_bytes() == b"untouched"


def test_outputs_keep_apart_from_inputs_and_each_other(tmp_path: Path) -> None:
    one, other = tmp_path / "one", tmp_path / "other"
    one.write_text("")
    (tmp_path / "link").symlink_to(one)
    keep_apart([other, None], [one, None])
    keep_apart([Path(os.devnull), Path(os.devnull)])
    for outputs, inputs in (([one], [one]), ([tmp_path / "link"], [one]), ([other, other], [])):
        with pytest.raises(OutputError, match="name another file"):
            keep_apart(outputs, inputs)


@pytest.mark.parametrize("step", ["fsync", "chmod", "replace"])
@pytest.mark.parametrize(
    ("failure", "seen"),
    [
        (OSError(28, "No space left on device"), OutputError),
        (KeyboardInterrupt(), KeyboardInterrupt),
    ],
)
def test_failure_half_way_leaves_the_old_file_and_nothing_else(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    step: str,
    failure: BaseException,
    seen: type[BaseException],
) -> None:
    path = tmp_path / "out.bin"
    path.write_bytes(b"old")

    def fail(*_: object) -> None:
        raise failure

    monkeypatch.setattr(os, step, fail)
    with pytest.raises(seen):
        write_whole(path, b"new")
    assert path.read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["out.bin"]


def test_a_file_keeps_its_permissions(tmp_path: Path) -> None:
    path = tmp_path / "private"
    path.write_bytes(b"old")
    path.chmod(0o600)
    write_whole(path, b"new")
    assert path.stat().st_mode & 0o777 == 0o600


def test_a_link_to_itself_leads_nowhere_and_is_replaced(tmp_path: Path) -> None:
    loop = tmp_path / "loop"
    loop.symlink_to(loop)
    keep_apart([loop], [tmp_path / "other"])
    write_whole(loop, b"data")
    assert loop.read_bytes() == b"data"
