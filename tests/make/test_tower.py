import io
import zipfile

import lib3mf
import numpy as np
import pytest
import trimesh

from ringscan.errors import OutputError
from ringscan.make.tower import Form, tower_mesh, write_tower

VOLUMES = {
    # derived: 40 layers, .3 + 39 × .2 = 8.1 mm tall, 60 mm wide, wall of .45 mm
    Form.BLOCK: 60 * 60 * 8.1,
    Form.TUBE: (60**2 - 59.1**2) * 8.1,
}


@pytest.mark.parametrize("form", Form)
def test_the_mesh_is_closed_and_of_the_plans_size(plan, form):
    mesh = tower_mesh(plan, form)
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert mesh.volume == pytest.approx(VOLUMES[form], rel=1e-9)  # positive: faces look out
    assert mesh.bounds == pytest.approx(np.array([[-30, -30, 0], [30, 30, 8.1]]), abs=1e-9)
    # Euler: a solid has 2, a ring (one hole through) 0
    assert mesh.euler_number == (2 if form is Form.BLOCK else 0)


@pytest.mark.parametrize("form", Form)
def test_stl_size_law_and_reading_back(tmp_path, plan, form):
    path = tmp_path / "t.stl"
    write_tower(plan, path, form)
    data = path.read_bytes()
    count = int.from_bytes(data[80:84], "little")
    assert len(data) == 84 + 50 * count  # numpy-stl's documentation of the binary form
    assert not data.startswith(b"solid")
    corners = np.frombuffer(data[84:], dtype="<u1").reshape(count, 50)[:, 12:48].copy()
    triangles = corners.view("<f4").reshape(count, 3, 3)
    # every edge is shared by just two triangles that run along it in opposite directions
    edges = [(tuple(t[i]), tuple(t[(i + 1) % 3])) for t in triangles.tolist() for i in range(3)]
    assert len(edges) == len(set(edges)) == 3 * count
    assert {(b, a) for a, b in edges} == set(edges)
    assert trimesh.load_mesh(io.BytesIO(data), file_type="stl").is_watertight


@pytest.mark.parametrize("form", Form)
def test_3mf_is_valid_for_the_consortiums_own_library(tmp_path, plan, form):
    path = tmp_path / "t.3mf"
    write_tower(plan, path, form)
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(path))
    assert reader.GetWarningCount() == 0
    assert model.GetUnit() == lib3mf.ModelUnit.MilliMeter
    objects = model.GetMeshObjects()
    assert objects.MoveNext()
    mesh = objects.GetCurrentMeshObject()
    assert mesh.IsManifoldAndOriented()
    z = [v.Coordinates[2] for v in mesh.GetVertices()]
    assert (min(z), max(z)) == pytest.approx((0, 8.1), abs=1e-5)  # single precision
    assert not objects.MoveNext()


@pytest.mark.parametrize("name", ["t.stl", "t.3mf"])
def test_the_same_plan_gives_the_same_bytes(tmp_path, plan, make_plan, name):
    one, two, other = tmp_path / f"1{name}", tmp_path / f"2{name}", tmp_path / f"3{name}"
    write_tower(plan, one)
    write_tower(plan, two)
    write_tower(make_plan(size={"layers": 41}), other)
    assert one.read_bytes() == two.read_bytes() != other.read_bytes()


def test_3mf_parts_are_compressed_and_whole(tmp_path, plan):
    path = tmp_path / "t.3MF"
    write_tower(plan, path)
    with zipfile.ZipFile(path) as package:
        assert package.testzip() is None


def test_other_endings_are_refused(tmp_path, plan):
    with pytest.raises(OutputError, match=r"\.stl or \.3mf"):
        write_tower(plan, tmp_path / "t.obj")
