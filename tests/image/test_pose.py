"""The sheet's corners to a camera, against OpenCV's own projection of known points."""

import cv2
import numpy as np
import pytest

from ringscan.errors import SheetError
from ringscan.image.camera import Camera
from ringscan.image.photo import Photo
from ringscan.image.pose import Expected, find_pose
from ringscan.image.reference import SheetView
from ringscan.layout import ring_corners

WIDTH, HEIGHT = 3000, 4000
DRAWN = np.array(list(ring_corners().values()))


def photo_of(focal_px: float | None) -> Photo:
    blank = np.broadcast_to(np.uint8(0), (HEIGHT, WIDTH))
    return Photo(source="a.jpg", sha256="", luma=blank, half_rgb=None, focal_px=focal_px)


def project(points, rotation, translation, focal, k1):
    matrix = np.array([[focal, 0, (WIDTH - 1) / 2], [0, focal, (HEIGHT - 1) / 2], [0, 0, 1]])
    px, _ = cv2.projectPoints(points, rotation, translation, matrix, np.array([k1, 0, 0, 0.0]))
    return px.reshape(-1, 2)


def looking_at(tilt_deg, toward_deg, roll_deg, distance_mm):
    """Rotation vector and translation of a camera that looks at the sheet's middle."""
    way = np.radians(toward_deg)
    tilt = np.radians(tilt_deg) * np.array([np.cos(way), np.sin(way), 0.0])
    turn = cv2.Rodrigues(np.array([0, 0, np.radians(roll_deg)]))[0] @ cv2.Rodrigues(tilt)[0]
    middle = np.array([96.0, 126.0, 0.0])
    return cv2.Rodrigues(turn)[0].ravel(), np.array([0, 0, distance_mm]) - turn @ middle


def view_of(corners_px, drawn=DRAWN):
    homography = cv2.findHomography(drawn, corners_px)[0]
    return SheetView(corners_px=corners_px, corners_mm=drawn, homography=homography)


@pytest.mark.parametrize("k1", [-0.02, 0.0, 0.015])
@pytest.mark.parametrize("tilt_deg", [8.0, 15.0, 30.0])
def test_a_tilted_camera_is_found_without_exif(tilt_deg, k1):
    rotation, translation = looking_at(tilt_deg, 40, 92, 330)
    sheet = np.column_stack([DRAWN, np.zeros(len(DRAWN))])
    rng = np.random.default_rng(3)
    seen = project(sheet, rotation, translation, 3200, k1) + rng.normal(0, 0.03, (len(DRAWN), 2))
    pose = find_pose(photo_of(None), view_of(seen))
    # 66 corners of .03 px say much more than the broad prior (15 %), most of it when tilted
    assert abs(np.log(pose.camera.focal_px / 3200)) < 2.5 * pose.focal_sd
    assert pose.focal_sd < 0.9 / tilt_deg
    assert pose.camera.k1 == pytest.approx(k1, abs=0.003)
    assert pose.camera.tilt_deg == pytest.approx(tilt_deg, abs=0.3)
    # what counts: where a plane 60 mm up is seen
    above = np.array([[60.0, 90, -60], [130, 90, -60], [130, 190, -60], [60, 190, -60]])
    error = pose.camera.project(above) - project(above, rotation, translation, 3200, k1)
    assert np.abs(error).max() < 16  # px; 1.2 mm: the face's own edges refine it later


def test_straight_on_the_focal_length_is_exif_s_and_its_error_is_known():
    rotation, translation = looking_at(0.3, 10, 0, 300)
    sheet = np.column_stack([DRAWN, np.zeros(len(DRAWN))])
    seen = project(sheet, rotation, translation, 3200, 0)
    exif = 3200 * 1.03
    pose = find_pose(photo_of(exif), view_of(seen))
    assert abs(np.log(pose.camera.focal_px / 3200)) < 2 * pose.focal_sd
    assert pose.focal_sd > 0.03  # a sheet seen straight on says nothing of it


def test_the_check_line_scales_the_sheet():
    rotation, translation = looking_at(12, 120, 45, 320)
    true_mm = DRAWN * 0.98
    sheet = np.column_stack([true_mm, np.zeros(len(DRAWN))])
    pose = find_pose(
        photo_of(3200), view_of(project(sheet, rotation, translation, 3200, 0)), check_line_mm=98
    )
    assert pose.sheet_scale == pytest.approx([0.98, 0.98], abs=2e-4)
    true_eye = -cv2.Rodrigues(rotation)[0].T @ translation
    # a scale 2 % off would put the camera 6 mm off
    assert pose.camera.position_mm == pytest.approx(true_eye, abs=1.0)


def test_single_wild_corners_are_left_out():
    rotation, translation = looking_at(10, 70, 0, 320)
    sheet = np.column_stack([DRAWN, np.zeros(len(DRAWN))])
    seen = project(sheet, rotation, translation, 3200, 0)
    seen[[4, 20]] += [[6.0, -5.0], [-7.0, 3.0]]
    pose = find_pose(photo_of(3200), view_of(seen))
    assert np.flatnonzero(~pose.used).tolist() == [4, 20]
    assert pose.rms_px < 0.05


def camera_at(rotation, translation):
    return Camera(
        focal_px=3100.0,
        centre_px=((WIDTH - 1) / 2, (HEIGHT - 1) / 2),
        k1=-0.03,
        rotation=rotation,
        translation_mm=translation,
    )


def test_projection_and_its_inverse_agree_with_opencv():
    rotation, translation = looking_at(20, 200, 130, 280)
    camera = camera_at(rotation, translation)
    points = np.array([[0.0, 0, 0], [192, 252, -60], [30, 200, -35], [96, 126, 0]])
    seen = camera.project(points)
    # same model, same numbers: only rounding differs
    assert seen == pytest.approx(project(points, rotation, translation, 3100, -0.03), abs=1e-6)
    for point, px in zip(points, seen, strict=True):
        back = camera.to_plane(px[None], -point[2])
        # the lens is undone by eight steps of a contraction by about 1/40
        assert back[0] == pytest.approx(point[:2], abs=1e-6)


def test_rows_of_points_are_where_opencv_sees_them():
    rotation, translation = looking_at(25, 70, 100, 280)
    camera = camera_at(rotation, translation)
    starts = np.array([[60.0, 90, -60], [60, 140, -55], [62, 190, -60]])
    way, along = np.array([1.0, 0.02, 0.01]), np.linspace(0, 60, 7)
    x, y = camera.project_rows(starts, way, along)
    points = (starts[:, None] + along[:, None] * way).reshape(-1, 3)
    expected = project(points, rotation, translation, 3100, -0.03).reshape(3, 7, 2)
    # single precision
    assert np.stack([x, y], axis=2) == pytest.approx(expected, abs=2e-3)


def test_corners_that_no_camera_sees_so_are_refused():
    crossed = np.array([[0.0, 0], [100, 100], [100, 0], [0, 100]])
    square = np.array([[0.0, 0, 0], [100, 0, 0], [100, 100, 0], [0, 100, 0]])
    with pytest.raises(SheetError, match=r"^a\.jpg: the corners found cannot belong to a flat"):
        Expected.of(photo_of(None)).start(square, crossed)


def test_a_bent_sheet_and_a_view_from_the_side_are_refused():
    rotation, translation = looking_at(60, 0, 0, 500)
    sheet = np.column_stack([DRAWN, np.zeros(len(DRAWN))])
    with pytest.raises(SheetError, match="tilted 60° from straight above; at most 50°"):
        find_pose(photo_of(3200), view_of(project(sheet, rotation, translation, 3200, 0)))
    curl = np.column_stack([DRAWN, -40 * np.sin(np.pi * DRAWN[:, 0] / 192)])
    rotation, translation = looking_at(20, 0, 0, 400)
    with pytest.raises(SheetError, match="lay the sheet flat"):
        find_pose(photo_of(3200), view_of(project(curl, rotation, translation, 3200, 0)))


@pytest.mark.parametrize("length", [0, 80, 120, float("nan")])
def test_a_senseless_check_line_is_a_wrong_argument(length):
    with pytest.raises(ValueError, match="check_line_mm"):
        find_pose(photo_of(None), view_of(DRAWN), check_line_mm=length)


def test_slopes_are_those_of_the_projection():
    """Against central differences of `project`, which shares no code with them."""
    rotation, translation = looking_at(20, 40, 92, 330)
    points = np.array([[10.0, 20, 0], [150, 40, -60], [90, 200, -60]])
    values = np.concatenate([rotation, translation, [np.log(3100.0), 0.015, 1510.0, 1980.0]])

    def seen(values, points):
        camera = Camera(
            rotation=values[:3],
            translation_mm=values[3:6],
            focal_px=float(np.exp(values[6])),
            k1=float(values[7]),
            centre_px=(float(values[8]), float(values[9])),
        )
        return camera, camera.project(points)

    def differences(at, steps):
        pairs = [(at(step), at(-step)) for step in steps]
        sizes = [2 * np.abs(step).max() for step in steps]
        return np.stack([(a - b) / size for (a, b), size in zip(pairs, sizes, strict=True)], -1)

    camera, _ = seen(values, points)
    by_point, by_camera = camera.slopes(points)
    along = differences(lambda step: seen(values, points + step)[1], 1e-3 * np.eye(3))
    turned = differences(lambda step: seen(values + step, points)[1], 1e-5 * np.eye(10))
    # central differences are off by the square of the step: 1e-6 and less
    np.testing.assert_allclose(by_point, along, rtol=1e-5, atol=1e-5)
    np.testing.assert_allclose(by_camera, turned, rtol=1e-5, atol=1e-3)


@pytest.mark.parametrize("toward_deg", [0, 90, 180, 270])
def test_the_typical_scale_does_not_change_with_the_way_of_the_tilt(toward_deg):
    """The middle of the sheet lies 350 mm away: focal length over distance, foreshortened."""
    rotation, translation = looking_at(30.0, toward_deg, 0.0, 350.0)
    points = np.column_stack([DRAWN, np.zeros(len(DRAWN))])
    view = view_of(project(points, rotation, translation, 3100.0, 0.0))
    assert view.px_per_mm == pytest.approx(3100 / 350 * np.sqrt(np.cos(np.radians(30))), rel=0.08)
