"""Which pictures are meant by what was given."""

from pathlib import Path

import pytest

from ringscan.pictures import find_pictures


@pytest.fixture(autouse=True)
def folder(tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    for name in ("b.jpg", "a.JPG", "notes.txt", "deep/c.png", "deep/deeper/d.heic", "x[1].jpg"):
        Path(name).parent.mkdir(parents=True, exist_ok=True)
        Path(name).touch()
    Path("empty").mkdir()
    Path("folder.jpg").mkdir()


def found(*given: str) -> list[str]:
    pictures, errors = find_pictures(Path(name) for name in given)
    assert not errors
    return [str(path) for path in pictures]


@pytest.mark.parametrize(
    ("given", "wanted"),
    [
        (["."], ["a.JPG", "b.jpg", "x[1].jpg"]),
        (["deep", "."], ["deep/c.png", "a.JPG", "b.jpg", "x[1].jpg"]),
        (["*"], ["a.JPG", "b.jpg", "x[1].jpg"]),
        (["**/*"], ["a.JPG", "b.jpg", "deep/c.png", "deep/deeper/d.heic", "x[1].jpg"]),
        (["deep/*/?.heic"], ["deep/deeper/d.heic"]),
        (["x[1].jpg"], ["x[1].jpg"]),  # a file of that name, and no pattern
        (["notes.txt", "missing.jpg"], ["notes.txt", "missing.jpg"]),  # who names it means it
        (["b.jpg", "."], ["b.jpg", "a.JPG", "b.jpg", "x[1].jpg"]),  # as often as it is given
    ],
)
def test_files_folders_and_patterns(given, wanted):
    assert found(*given) == wanted


def test_what_gives_nothing_is_said_and_keeps_nothing_back(monkeypatch):
    Path("locked").mkdir()
    iterdir = Path.iterdir

    def refusing(path: Path):
        if path.name == "locked":
            raise PermissionError(13, "Permission denied")
        return iterdir(path)

    monkeypatch.setattr(Path, "iterdir", refusing)
    given = [Path(name) for name in ("empty", "b.jpg", "locked", "*.tif", "no/such/*.jpg")]
    pictures, errors = find_pictures(given)
    assert pictures == [Path("b.jpg")]
    assert [(str(path), str(error)) for path, error in errors] == [
        ("empty", "empty: is a folder without pictures; give picture files"),
        ("locked", "locked: the folder cannot be read: Permission denied"),
        ("*.tif", "*.tif: no picture matches"),
        ("no/such/*.jpg", "no/such/*.jpg: no picture matches"),
    ]


@pytest.mark.parametrize("name", ["n" * 5000, "nul\0l", "n" * 5000 + "*"])
def test_impossible_names_are_no_trouble(name):
    pictures, errors = find_pictures([Path(name)])
    assert len(pictures) + len(errors) == 1


def test_hidden_files_of_a_folder_are_no_photos(tmp_path: Path) -> None:
    card = tmp_path / "card"
    card.mkdir()
    (card / "a.jpg").touch()
    (card / "._a.jpg").touch()
    assert find_pictures([card]) == ([card / "a.jpg"], [])
