"""What a picture lacks: each measure against pictures in which it is known."""

from dataclasses import dataclass, replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from tower_scene import Scene

from ringscan.image.face import locate_face
from ringscan.image.grain import measure_grain
from ringscan.image.lamp import find_lamp
from ringscan.image.photo import Photo
from ringscan.image.pose import find_pose
from ringscan.image.quality import Grade, inspect_picture
from ringscan.image.rectify import rectify_face
from ringscan.image.reference import find_sheet
from ringscan.image.sharpness import FREQUENCIES, EdgeResponse, edge_response, sheet_response


def photo_of(light: NDArray) -> Photo:
    """A photo of linear light, 16 bits deep so that rounding does not count."""
    light = np.clip(light, 0, 1)
    code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    luma = np.round(65535 * code).astype(np.uint16)
    return Photo(source="a.png", sha256="0", luma=luma, half_rgb=None, focal_px=None)


def slanted_edge(turn_deg: float, sigma_px: float, px_per_mm: float = 10.0):
    """An edge of a square's length, blurred by a Gaussian in closed form, and its ends."""
    from scipy.special import ndtr

    side = round(26 * px_per_mm)
    y, x = np.mgrid[:side, :side] - (side - 1) / 2
    a = np.radians(turn_deg)
    out = x * np.cos(a) + y * np.sin(a)
    light = 0.05 + 0.6 * ndtr(out / sigma_px)
    half = 6 * px_per_mm * np.array([-np.sin(a), np.cos(a)])
    return photo_of(light), np.array([-half, half]) + (side - 1) / 2


@pytest.mark.parametrize(
    # one edge along the pixels is sampled at one phase only: the standard asks for a slant
    ("turn_deg", "within"),
    [(0.0, 0.12), (5.0, 0.05), (37.0, 0.05), (84.0, 0.05)],
)
@pytest.mark.parametrize("sigma_px", [0.8, 1.5, 2.5])
def test_a_gaussian_blur_has_the_response_of_a_gaussian(turn_deg, within, sigma_px):
    # the transform of a Gaussian is exp(-2 pi² sigma² f²): half at f = sqrt(ln 2 / 2) / (pi sigma)
    assert np.sqrt(np.log(2) / 2) / np.pi == pytest.approx(0.187391, abs=1e-6)
    response = EdgeResponse(
        per_px=FREQUENCIES, modulation=edge_response(*slanted_edge(turn_deg, sigma_px)), edges=1
    )
    assert response.at(0.187391 / sigma_px * (1 - within)) > 0.5
    assert response.at(0.187391 / sigma_px * (1 + within)) < 0.5
    assert response.blur_px == pytest.approx(sigma_px, rel=within)
    slow = 0.06 / sigma_px
    want = np.exp(-2 * (np.pi * sigma_px * slow) ** 2)
    assert response.at(slow) == pytest.approx(want, abs=0.02)


def test_a_response_that_keeps_all_has_no_blur():
    kept = EdgeResponse(per_px=FREQUENCIES, modulation=np.ones_like(FREQUENCIES), edges=1)
    assert kept.blur_px == 0


@pytest.mark.parametrize(("coarseness", "grade"), [(0.4, Grade.GOOD), (1.6, Grade.POOR)])
def test_strong_compression_is_told(good, coarseness, grade):
    scene, photo, *rest = good
    found = findings(scene, replace(photo, coarseness=coarseness), *rest)["compression"]
    assert found.grade is grade
    assert f"{coarseness:.1f} times those of quality 50" in found.says


def test_sharpening_raises_the_peak_of_the_response():
    # an unsharp mask adds k times what a Gaussian of tau takes off; its edge and its response are
    # closed forms
    from scipy.special import ndtr

    sigma, tau, k = 0.8, 1.5, 2.0
    plain, ends = slanted_edge(5.0, sigma)
    side = plain.luma.shape[0]
    y, x = np.mgrid[:side, :side] - (side - 1) / 2
    out = x * np.cos(np.radians(5)) + y * np.sin(np.radians(5))
    rise = (1 + k) * ndtr(out / sigma) - k * ndtr(out / np.hypot(sigma, tau))
    sharpened = edge_response(photo_of(0.15 + 0.4 * rise), ends)
    kept = [np.exp(-2 * (np.pi * s * FREQUENCIES) ** 2) for s in (sigma, tau)]
    want = kept[0] * (1 + k * (1 - kept[1]))
    at = {
        name: EdgeResponse(per_px=FREQUENCIES, modulation=modulation, edges=1).peak
        for name, modulation in (
            ("plain", edge_response(plain, ends)),
            ("sharpened", sharpened),
            ("want", want),
        )
    }
    assert at["plain"] == pytest.approx(1.0, abs=0.03)
    assert at["want"] > 1.5
    assert at["sharpened"] == pytest.approx(at["want"], rel=0.05)


def test_an_edge_without_contrast_says_nothing():
    photo, ends = slanted_edge(5.0, 1.0)
    assert edge_response(photo_of(np.full(photo.luma.shape, 0.3)), ends) is None


@dataclass(frozen=True, kw_only=True)
class LampScene(Scene):
    """A tower whose shadow has the length and direction that a lamp of known place gives it.

    turn_deg : toward the lamp, 0 right, 90 top, 180 left; elevation_deg : above the table
    """

    yaw_deg: float = 0.0
    width_px: int = 1500
    height_px: int = 2000
    focal_px: float = 1550.0
    turn_deg: float = 180.0
    elevation_deg: float = 40.0

    def face(self, u, z):
        return np.full(len(u), self.albedo / 2)

    def _table(self, ground):
        page = replace(self, tower=False)
        light = Scene._table(page, ground)
        corner, right, up = self.frame
        width, height = self.size
        a = np.radians(self.turn_deg)
        throw = -width / np.tan(np.radians(self.elevation_deg)) * np.array([np.cos(a), np.sin(a)])
        frame = np.column_stack([right, up])
        foot = np.array([[0, 0], [width, 0], [width, height], [0, height]])
        hull = cv2.convexHull(np.vstack([foot, foot + throw]).astype(np.float32))[:, 0]
        at = (ground - corner) @ frame
        inside = np.ones(len(at), dtype=bool)
        for p, q in zip(hull, np.roll(hull, -1, axis=0), strict=True):
            inside &= (q - p)[0] * (at[:, 1] - p[1]) - (q - p)[1] * (at[:, 0] - p[0]) >= 0
        # OpenCV gives the hull one way round or the other
        if not inside.any():
            inside[:] = True
            for p, q in zip(hull, np.roll(hull, -1, axis=0), strict=True):
                inside &= (q - p)[0] * (at[:, 1] - p[1]) - (q - p)[1] * (at[:, 0] - p[0]) <= 0
        fall = 1 - 0.0015 * (ground[:, 0] - 96)
        return (light * fall * np.where(inside, 0.15, 1.0)).astype(np.float32)


def seen(scene: Scene):
    code = scene.render()[..., 0]
    photo = Photo(source="a.jpg", sha256="0", luma=code, half_rgb=None, focal_px=scene.focal_px)
    sheet = find_sheet(photo)
    pose = find_pose(photo, sheet)
    return photo, sheet, pose, locate_face(photo, sheet, pose, scene.plan, "x")


@pytest.fixture(scope="module")
def good():
    scene = LampScene()
    return scene, *seen(scene)


def findings(scene, photo, sheet, pose, view):
    face = rectify_face(photo, view)
    response = sheet_response(photo, sheet)
    found = inspect_picture(
        photo, scene.plan, "x", view, face, sheet=sheet, pose=pose, response=response
    )
    return {finding.name: finding for finding in found}


def test_a_good_picture_has_no_fault(good):
    found = findings(*good)
    assert {name: f.line for name, f in found.items() if f.grade is not Grade.GOOD} == {}
    assert set(found) == {
        *(
            "resolution",
            "sharpness",
            "sharpening",
            "light",
            "highlights",
            "shadows",
            "cover",
            "noise",
            "moiré",
            "tilt",
        )
    }


@pytest.mark.parametrize(
    ("turn_deg", "elevation_deg", "advice"),
    [(180.0, 66.0, "lower"), (285.0, 50.0, "to the right")],
)
def test_the_shadow_tells_where_the_lamp_should_go(turn_deg, elevation_deg, advice):
    scene = LampScene(turn_deg=turn_deg, elevation_deg=elevation_deg)
    photo, sheet, pose, view = seen(scene)
    lamp = find_lamp(photo, sheet, pose, view)
    # directions are tried every 7.5°, lengths every 10 mm, the shortest that will do is taken:
    # a shadow of 27 mm may be seen as 20, which is 5° more, and one of 50 as 40
    assert (lamp.turn_deg - turn_deg + 180) % 360 - 180 == pytest.approx(0, abs=8)
    assert lamp.elevation_deg == pytest.approx(elevation_deg + 2, abs=8)
    assert lamp.share == pytest.approx(0.85, abs=0.08)
    light = findings(scene, photo, sheet, pose, view)["light"]
    assert light.grade is Grade.POOR
    assert advice in light.advice


def test_light_without_a_shadow_is_unfit():
    scene = LampScene(elevation_deg=89.0)
    light = findings(scene, *seen(scene))["light"]
    assert light.grade is Grade.UNFIT
    assert "use one lamp" in light.advice


@pytest.mark.parametrize("light", [0.8, 1.15])
def test_what_lies_on_the_face_is_seen(good, light):
    """A flat patch of about its brightness, over a third of the face's width."""
    scene, photo, sheet, pose, view = good
    corners = view.to_px(np.array([20.0, 40.0, 40.0, 20.0]), np.array([40.0, 40.0, 60.0, 60.0]))
    (x0, y0), (x1, y1) = corners.min(axis=0).astype(int), corners.max(axis=0).astype(int)
    luma = photo.luma.copy()
    patch = luma[y0:y1, x0:x1]
    luma[y0:y1, x0:x1] = np.uint8(patch.mean() * light)
    found = findings(scene, replace(photo, luma=luma), sheet, pose, view)["cover"]
    assert found.grade is Grade.POOR
    assert "remove what lies on the face" in found.line


def test_burnt_and_black_faces(good):
    scene, photo, sheet, pose, view = good
    bright = replace(photo, luma=np.minimum(photo.luma.astype(int) * 2, 255).astype(np.uint8))
    assert findings(scene, bright, sheet, pose, view)["highlights"].grade is Grade.UNFIT
    dark = replace(photo, luma=(photo.luma // 100).astype(np.uint8))
    assert findings(scene, dark, sheet, pose, view)["shadows"].grade is Grade.UNFIT


@pytest.mark.parametrize("sd", [0.02, 0.1])
def test_noise_is_measured_through_layers_and_ripples(good, sd):
    scene, photo, _, _, view = good
    flat = photo_of(np.full(photo.luma.shape, 0.2))
    rng = np.random.default_rng(3)
    light = flat.linear(slice(None), slice(None)).astype(np.float64)
    light *= 1 + sd * rng.standard_normal(light.shape)
    x = np.arange(light.shape[1])
    light *= 1 + 0.1 * np.sin(x / 4)
    grain = measure_grain(photo_of(light), view, scene.plan)
    # 24 patches of some 20² pixels: a few per cent; the wave's side lobes add a little
    assert grain.noise == pytest.approx(sd, rel=0.1)


def test_aliased_layer_lines_are_moire(good):
    # point-sampled layer lines, a fifth of the light and no lens: at pixel centres an aliased
    # wave is as strong as the true one
    scene, photo, _, _, view = good
    low = np.floor(view.corners_px.min(axis=0)).astype(int)
    high = np.ceil(view.corners_px.max(axis=0)).astype(int)
    y, x = np.mgrid[low[1] : high[1], low[0] : high[0]]
    points = np.stack([x.ravel(), y.ravel()], axis=1).astype(np.float64)
    _, v = view.box.inside_out(view.camera.to_plane(points, view.box.width_mm))
    layer_mm = scene.plan.size.layer_height_mm
    light = np.full(photo.luma.shape, 0.2)
    light[y, x] *= 1 + 0.2 * np.cos(2 * np.pi * v / layer_mm).reshape(x.shape)
    grain = measure_grain(photo_of(light), view, scene.plan)
    assert grain.px_per_layer == pytest.approx(layer_mm * view.px_per_mm, rel=0.03)
    # the camera looks straight down: the alias runs up the tower, and a band's mean of 1 mm
    # leaves a sinc of it
    per_mm = 1 / layer_mm - round(1 / layer_mm / view.px_per_mm) * view.px_per_mm
    assert grain.moire == pytest.approx(0.2 * abs(np.sinc(per_mm)), abs=0.02)
