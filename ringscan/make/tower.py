"""The tower as a mesh, for a slicing program set to one wall."""

from __future__ import annotations

import io
import re
import uuid
import zipfile
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING

from ringscan.errors import OutputError
from ringscan.output import write_whole
from ringscan.plan import Plan

if TYPE_CHECKING:
    import trimesh


class Form(StrEnum):
    """A solid block, whose outline is sliced as one wall; or the tube as it will stand."""

    BLOCK = "block"
    TUBE = "tube"


def tower_mesh(plan: Plan, form: Form = Form.BLOCK) -> trimesh.Trimesh:
    """Return the tower, watertight, base at z = 0 and centred on the z axis, in mm."""
    import trimesh

    w, h = plan.size.width_mm, plan.height_mm
    if form is Form.BLOCK:
        mesh: trimesh.Trimesh = trimesh.creation.box(
            bounds=((-w / 2, -w / 2, 0), (w / 2, w / 2, h))
        )
    else:
        mesh = _tube(w, w - 2 * plan.size.line_width_mm, h)
    assert mesh.is_watertight  # both shapes are closed by construction
    return mesh


def _tube(outer_mm: float, inner_mm: float, height_mm: float) -> trimesh.Trimesh:
    """A square tube from four rings of corners, each side of each ring a quad of two triangles."""
    import trimesh

    corners = ((-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5))
    rings = ((outer_mm, 0.0), (outer_mm, height_mm), (inner_mm, height_mm), (inner_mm, 0.0))
    vertices = [(x * side, y * side, z) for side, z in rings for x, y in corners]
    faces = []
    for ring in range(4):
        for corner in range(4):
            a, b = 4 * ring + corner, 4 * ring + (corner + 1) % 4
            c, d = (b + 4) % 16, (a + 4) % 16
            faces += [(a, b, c), (a, c, d)]
    return trimesh.Trimesh(vertices=vertices, faces=faces, process=False)


def write_tower(plan: Plan, path: Path, form: Form = Form.BLOCK) -> None:
    """Write the tower as STL or 3MF, by the file's ending; the same plan gives the same bytes.

    Raises
    ------
    OutputError
        If the ending is another one, or the file cannot be written.
    """
    kind = path.suffix.lower()
    if kind not in (".stl", ".3mf"):
        raise OutputError(f"{path}: a tower is written as .stl or .3mf, not '{path.suffix}'")
    mesh = tower_mesh(plan, form)
    data = mesh.export(file_type=kind[1:])
    assert isinstance(data, bytes)
    write_whole(path, _repeatable(data, plan) if kind == ".3mf" else data)


def _repeatable(package: bytes, plan: Plan) -> bytes:
    """Give a 3MF package identifiers that follow from the plan instead of random ones.

    A namespace declared once more on the build item, which strict readers refuse, goes too.
    """
    names = (str(uuid.uuid5(uuid.NAMESPACE_OID, f"{plan.digest} {n}")) for n in range(100))
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(package)) as old, zipfile.ZipFile(out, "w") as new:
        for entry in old.infolist():
            data = old.read(entry)
            if entry.filename.endswith(".model"):
                text = re.sub(r'<item xmlns="[^"]*"', "<item", data.decode())
                data = re.sub(r'(?<=UUID=")[0-9a-f-]{36}', lambda _: next(names), text).encode()
            new.writestr(entry, data, compress_type=zipfile.ZIP_DEFLATED)
    return out.getvalue()
