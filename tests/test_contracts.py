"""What holds the house together: who imports whom, what starting costs, and public names."""

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

import ringscan
from ringscan import errors

PACKAGE = Path(ringscan.__file__).parent

GROUND = {"errors", "plan", "layout", "plancode", "output"}

MAY_IMPORT = {
    "errors": set(),
    "explain": set(),
    "plan": {"errors", "explain"},
    "layout": {"errors", "plan"},
    "plancode": {"errors", "plan"},
    "output": {"errors"},
    "image": {"image", "errors", "plan", "layout", "plancode"},
    "model": {"model", "errors", "plan"},
    "make": {"make", "model", *GROUND},
    "look": {"image", *GROUND},
    "walls": {"look", "image", "model", *GROUND},
    "scan": {"walls", "look", "image", "model", *GROUND},
    "workers": {"errors"},
    "journal": {"errors"},
    "pictures": {"errors"},
    "readings": {"model"},
    "machines": {"readings", "model"},
    "batch": {"scan", "look", "workers", "journal", "readings", *GROUND},
    "show": {"show", "machines", "readings", "look", "scan", "image", "model", "make", *GROUND},
    "library": {"show", "machines", "batch", "journal", "pictures", "scan", "look", *GROUND},
    "__main__": {"cli"},
    "cli": {
        *("cli", "show", "machines", "batch", "readings", "journal", "pictures"),
        *("look", "scan", "make", *GROUND),
    },
}
"""What each part may import of the others; DEVELOPERS.md draws it."""

HEAVY = {
    *("PIL", "cv2", "lxml", "matplotlib", "numpy", "pydantic", "reportlab", "scipy", "skimage"),
    *("tomli_w", "trimesh", "zxingcpp"),
}


def part_of(module: str) -> str:
    """`ringscan.image.photo` belongs to `image`; `ringscan` itself to "" ."""
    return module.split(".")[1] if "." in module else ""


def imports_of(path: Path) -> set[str]:
    """Full names of the package's modules that a file imports, anywhere in it."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are written in full"
            # `from ringscan import layout` names a module, `from ringscan.x import Y` is in one
            inside = [f"{node.module}.{name.name}" for name in node.names]
            found |= set(inside) if node.module == "ringscan" else {str(node.module)}
    return {name for name in found if name.split(".")[0] == "ringscan"}


MODULES = {
    ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts): path
    for path in sorted(PACKAGE.rglob("*.py"))
    if path != PACKAGE / "__init__.py"
}


def test_every_part_of_the_package_has_its_rule():
    assert {part_of(name) for name in MODULES} == set(MAY_IMPORT)


@pytest.mark.parametrize("module", MODULES)
def test_imports_go_one_way(module):
    parts = {part_of(name) for name in imports_of(MODULES[module])}
    assert parts <= MAY_IMPORT[part_of(module)]


def test_the_rules_themselves_have_no_way_back():
    def reached(part: str, seen: frozenset[str] = frozenset()) -> set[str]:
        onward = MAY_IMPORT[part] - {part} - seen
        return onward.union(*(reached(p, seen | onward) for p in onward))

    assert all(part not in reached(part) for part in MAY_IMPORT)
    assert "model" not in reached("image")
    assert "image" not in reached("model")
    for door in ("cli", "library"):
        inner = [part for part in MAY_IMPORT if part not in (door, "__main__")]
        assert not [part for part in inner if door in reached(part)]


def unnamed_fields(tree: ast.Module) -> list[str]:
    """Fields of public dataclasses that have no `name : what it is` in the docstring."""
    missing = []
    for node in ast.walk(tree):
        marks = [ast.unparse(mark) for mark in getattr(node, "decorator_list", [])]
        if not isinstance(node, ast.ClassDef) or not any("dataclass" in mark for mark in marks):
            continue
        lines = re.findall(r"^ *([a-z0-9_, ]+) : ", ast.get_docstring(node) or "", re.MULTILINE)
        told = {name.strip() for line in lines for name in line.split(",")}
        fields = [part.target.id for part in node.body if isinstance(part, ast.AnnAssign)]
        if not node.name.startswith("_"):
            missing += [f"{node.name}.{name}" for name in fields if name not in told]
    return missing


# the fields of this one are the command's options, which its help explains
@pytest.mark.parametrize("module", sorted(set(MODULES) - {"ringscan.cli.interview"}))
def test_every_field_of_a_result_is_said_in_its_docstring(module):
    assert unnamed_fields(ast.parse(MODULES[module].read_text(encoding="utf-8"))) == []


def test_a_field_that_is_not_said_would_be_seen():
    source = '@dataclass(frozen=True)\nclass A:\n    """B.\n\n    x, y : places\n    """\n'
    assert unnamed_fields(ast.parse(source + "    x: int\n    y: int\n    z: int\n")) == ["A.z"]


def test_a_forbidden_import_would_be_seen(tmp_path):
    hidden = tmp_path / "x.py"
    hidden.write_text(
        "def f():\n    if True:\n        from ringscan.model.fit import fit_jointly\n"
        "        from ringscan import cli\n        import ringscan.show.table\n"
    )
    assert {part_of(name) for name in imports_of(hidden)} == {"model", "cli", "show"}


@pytest.mark.parametrize(
    ("arguments", "heavy"),
    [
        (["--help"], HEAVY),
        # typer itself asks pydantic about the types of a command's arguments
        (["scan", "--help"], HEAVY - {"pydantic"}),
        (["plan", "--help"], HEAVY - {"pydantic"}),
        (["batch", "--help"], HEAVY - {"pydantic"}),
    ],
)
def test_help_imports_nothing_heavy(arguments, heavy):
    program = (
        "import sys\nfrom ringscan.cli import main\n"
        f"try: main({arguments!r})\nexcept SystemExit as exc: assert exc.code == 0\n"
        f"print(*sorted({heavy!r} & set(sys.modules)), file=sys.stderr)\n"
    )
    run = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=300
    )
    assert run.stderr.split() == []
    assert "Usage" in run.stdout


def test_exit_statuses_are_those_of_the_documentation():
    wanted = {
        "RingscanError": 1,
        "OptionError": 2,
        "PlanError": 3,
        "PhotoError": 4,
        "SheetError": 5,
        "FaceError": 6,
        "OutputError": 7,
        "GcodeError": 8,
    }
    classes = {n: c for n, c in vars(errors).items() if isinstance(c, type)}
    assert {name: c.exit_status for name, c in classes.items()} == wanted
    assert all(issubclass(c, errors.RingscanError) for c in classes.values())


def test_public_names_of_the_way_from_photo_to_answer():
    # the steps that docs/method.md and DEVELOPERS.md name; renaming one breaks users' scripts
    from ringscan.image import bands, face, photo, pose, rectify, reference
    from ringscan.model import answers, budget, fit, ranking, shapers, verdict, vibration
    from ringscan.scan import measure, scan_photo

    steps = [
        photo.read_photo,
        reference.find_sheet,
        reference.read_code,
        pose.find_pose,
        face.locate_face,
        rectify.rectify_face,
        bands.measure_bands,
        fit.fit_jointly,
        answers.fit_spacing,
        answers.fit_null,
        answers.measure_ripple,
        budget.intervals,
        ranking.rank_bands,
        ranking.quiet_height_mm,
        verdict.judge,
        shapers.shaper_impulses,
        vibration.residual_vibration,
        scan_photo,
        measure,
    ]
    assert all(step.__doc__ for step in steps)


def test_the_command_line_has_these_commands():
    from typer.main import get_command

    from ringscan.cli import app

    commands = get_command(app).commands  # type: ignore[attr-defined]
    assert set(commands) == {
        *("plan", "tower", "toolpath", "ramp", "check", "sheet", "look", "scan", "batch"),
    }
