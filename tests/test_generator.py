"""The pictures' truth: the simulated axis, the mesh and the camera, against outside sources."""

from __future__ import annotations

import io
import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from scipy.signal import StateSpace, find_peaks, lsim

from ringscan.plan import Family, Motion, Plan, Shaper, build_plan
from sample_images.generator import camera, draw, simulate, view, wall
from sample_images.generator.__main__ import truth
from sample_images.generator.samples import sample_specimens
from sample_images.generator.simulate import Oscillator

MOTION = {
    "direction": "counter-clockwise",
    "speed_mm_s": 120.0,
    "acceleration_mm_s2": 3000.0,
    "corner_speed_mm_s": 5.0,
}


def make_plan(family: str = "ZV", setting: float = 0.0, **motion: object) -> Plan:
    """Return a small tower: a ramp of 10 Hz steps below a reference band."""
    ramp = {"first_layer": 5, "last_layer": 34, "start": 20.0, "step": 1.0}
    return build_plan(
        {
            "tower": "HERON-1",
            "size": {
                "width_mm": 50.0,
                "line_width_mm": 0.4,
                "first_layer_mm": 0.2,
                "layer_height_mm": 0.2,
                "layers": 50,
            },
            "motion": MOTION | motion,
            "shaper": {"family": family, "damping_ratio": setting},
            "ramp": {"x": ramp, "y": ramp},
            "reference": {"first_layer": 38, "last_layer": 45},
        }
    )


def ripple_um(plan: Plan, axis: Oscillator) -> np.ndarray:
    """Return what stands out of the face after the entry corner, (layers, places)."""
    track = simulate.simulate(plan, "x", axis, None)
    _, n = simulate.around_corner(track, simulate.FACE, np.arange(4, 24, 0.02))
    return 1000 * (n - track.side_mm / 2)[track.setting]


FLAWS = wall.Flaws(
    seed=3,
    texture_um=8,
    layer_jitter_um=6,
    bead_depth_um=45,
    entry_bulge_um=80,
    entry_bulge_mm=1.5,
    far_bulge_um=20,
    far_bulge_mm=1.0,
    wave_um=10,
    wave_mm=5,
    bow_along_um=60,
    bow_up_um=-40,
    tooth_um=4,
    foot_um=150,
    ragged_um=40,
)


def test_the_axis_follows_a_command_as_scipy_says() -> None:
    axis = Oscillator(frequency_hz=38.0, damping_ratio=0.07)
    motion = Motion(**MOTION)
    step_s = simulate.STEP_S
    times_s = np.arange(0, 0.7, step_s / 2)
    covered, _ = simulate.run_mm(motion, 50.0, times_s - 0.05)
    followed = simulate.follow(covered[:, None], step_s, axis)[:, 0]

    w = 2 * np.pi * 38.0
    c, k = 2 * 0.07 * w, w**2
    # y'' + c y' + k y = c x' + k x in controllable form, which needs no x'
    system = StateSpace([[0, 1], [-k, -c]], [[0], [1]], [[k, c]], [[0]])
    _, expected, _ = lsim(system, covered, times_s)

    # lsim interpolates the command linearly over half steps: 3000 mm/s² x (0.1 ms)² / 8 = 4 nm
    assert followed == pytest.approx(expected[::2], abs=5e-5)
    assert np.abs(followed - covered[::2]).max() > 0.05


@pytest.mark.parametrize(
    ("damping_ratio", "delta"),
    [
        # Ryerson AER 403, Example 8.4: peaks of .85 and .45 one cycle apart
        (0.100706, np.log(0.85 / 0.45)),
        # textbook exercise, m = 8, k = 5400, c = 40 (SI)
        (0.096225, 0.607418),
        # Chopra, Dynamics of Structures (from memory): 2 to 1 in over 4 cycles
        (0.027569, np.log(2) / 4),
    ],
)
def test_the_decay_has_the_handbooks_logarithmic_decrement(
    damping_ratio: float, delta: float
) -> None:
    step_s = 1e-4
    command = np.zeros((20_001, 1))
    command[200:] = 1.0
    axis = Oscillator(frequency_hz=10.0, damping_ratio=damping_ratio)
    rest = simulate.follow(command, step_s, axis)[:, 0] - 1
    peaks, _ = find_peaks(rest[200:])
    heights = rest[200:][peaks][:5]
    # the peaks are read on a grid of 1/1000 of a period, which flattens them by under 2e-5
    assert np.log(heights[:-1] / heights[1:]) == pytest.approx(delta, abs=1e-3)


@pytest.mark.parametrize(
    ("family", "amplitudes", "times_ms"),
    [
        # 45 Hz, .05; ZV and ZVD by algebra from Singer & Seering (1990)
        (Family.ZV, [0.539238, 0.460762], [0, 11.1250]),
        (Family.ZVD, [0.290778, 0.496921, 0.212301], [0, 11.1250, 22.2501]),
        (Family.EI, [0.3069, 0.4675, 0.2257], [0, 11.172, 22.250]),
    ],
)
def test_impulses_are_those_of_the_literature(
    family: Family, amplitudes: list[float], times_ms: list[float]
) -> None:
    shaper = Shaper(family=family, damping_ratio=0.05)
    found, times_s = simulate.impulses(shaper, 45.0, 0.05)
    assert found == pytest.approx(amplitudes, abs=6e-5)
    assert 1000 * times_s == pytest.approx(times_ms, abs=1e-3)
    assert found.sum() == pytest.approx(1, abs=1e-12)


@pytest.mark.parametrize(
    ("family", "left", "tolerance"),
    # residual at 1.1 f_n without damping, by algebra from Singer & Seering (1990); EI is drawn
    # by its published curve fit, which is good to .001
    [("ZV", 0.15643, 1e-4), ("ZVD", 0.02447, 1e-4), ("EI", 0.02430, 1.3e-3)],
)
def test_a_shaper_leaves_what_the_literature_says(
    family: str, left: float, tolerance: float
) -> None:
    # the ramp's layer 20 is at 35 Hz; an axis at 38.5 Hz is 1.1 times that
    plan = make_plan(family)
    wave = ripple_um(plan, Oscillator(frequency_hz=38.5, damping_ratio=1e-6))
    size = np.ptp(wave, axis=1)
    assert size[20] / size[40] == pytest.approx(left, abs=tolerance)


def test_a_shaper_tuned_to_the_axis_leaves_a_straight_wall() -> None:
    plan = make_plan("ZVD", setting=0.06)
    wave = ripple_um(plan, Oscillator(frequency_hz=35.0, damping_ratio=0.06))
    assert np.ptp(wave[40]) > 30
    assert np.ptp(wave[20]) < 0.1


def test_the_ripple_is_of_the_order_of_a_over_w2_and_changes_sign_at_the_quiet_height() -> None:
    wave = ripple_um(make_plan(setting=0.06), Oscillator(frequency_hz=35.0, damping_ratio=0.06))
    ripple = 1000 * 3000 / (2 * np.pi * 35.0) ** 2
    assert 0.3 * ripple < np.ptp(wave[40]) / 2 < 2.2 * ripple
    below, quiet, above = wave[17], wave[20], wave[23]
    assert np.corrcoef(below, above)[0, 1] < -0.98
    assert np.ptp(quiet) < 0.01 * min(np.ptp(below), np.ptp(above))


def test_held_values_outside_the_ramp_and_no_shaper_in_the_reference() -> None:
    settings = simulate.shaper_settings(make_plan(setting=0.05), "x")
    assert settings[:5, 0] == pytest.approx(20.0)
    assert settings[35:38, 0] == pytest.approx(49.0)
    assert np.isnan(settings[38:46]).all()
    assert settings[46:] == pytest.approx(np.tile([49.0, 0.05], (4, 1)))


def test_a_rigid_axis_draws_a_straight_wall() -> None:
    track = simulate.simulate(make_plan(), "x", None, None)
    _, n = simulate.around_corner(track, simulate.FACE, np.arange(2, 24, 0.1))
    assert n == pytest.approx(track.side_mm / 2, abs=1e-9)


@pytest.mark.parametrize("direction", ["counter-clockwise", "clockwise"])
def test_the_tower_is_of_the_plans_size_and_faces_outwards(direction: str) -> None:
    plan = make_plan(direction=direction)
    track = simulate.simulate(plan, "x", None, None)
    meshes = wall.build_tower(track, plan, FLAWS)
    face = meshes["face"]
    assert face.triangles.max() < len(face.vertices)
    assert len(face.vertices) > 5 * 50 * 500

    corners = face.vertices[face.triangles]
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    assert (np.linalg.norm(across, axis=1) > 0).all()
    assert ((across * face.normals[face.triangles[:, 0]]).sum(axis=1) > 0).mean() > 0.999
    # the steepest places between foot and top are the grooves between layers
    x, height_mm, _ = face.vertices.T
    body = (np.abs(x) < 20) & (height_mm > 1) & (height_mm < 9)
    assert (face.normals[body, 2] > 0.3).all()
    assert np.linalg.norm(face.normals, axis=1) == pytest.approx(1, abs=1e-5)

    everything = np.vstack([mesh.vertices for mesh in meshes.values()])
    size = np.ptp(everything, axis=0)
    assert size == pytest.approx([50.0, 10.0, 50.0], abs=0.45)  # foot, bulges and bow on top
    assert everything.mean(axis=0)[1] == pytest.approx(5.0, abs=0.5)

    # the pressure bulge stands at the entry edge: left when printed counter-clockwise
    in_body = (face.vertices[:, 1] > 2) & (face.vertices[:, 1] < 8)
    at = face.vertices[in_body]
    left = at[np.abs(at[:, 0] + 23.5) < 0.5, 2].mean()
    right = at[np.abs(at[:, 0] - 23.5) < 0.5, 2].mean()
    assert (left > right) == (direction == "counter-clockwise")


def test_texture_is_independent_across_layers_and_correlated_along_them() -> None:
    rough = wall.texture(np.random.default_rng(1), 200, 600, 0.1)
    assert rough.std() == pytest.approx(1, abs=1e-9)
    assert abs(np.mean(rough[1:] * rough[:-1])) < 0.05
    along = [np.mean(rough[:, lag:] * rough[:, : 600 - lag]) for lag in (2, 10, 150)]
    assert along[0] > 0.75
    assert 0.3 < along[1] < 0.75
    assert abs(along[2]) < 0.1


def test_camera_agrees_with_opencv() -> None:
    import cv2

    specimen = draw.random_specimen(1)
    phone, pose = specimen.phone, specimen.pose
    world = np.random.default_rng(0).uniform(-60, 60, (50, 3))
    found = camera.distort(view.directions(world, pose), phone)

    rows, position = view.camera_frame(pose)
    matrix = np.array(
        [
            [phone.focal_px, 0, (phone.width_px - 1) / 2 + phone.centre_px[0]],
            [0, phone.focal_px, (phone.height_px - 1) / 2 + phone.centre_px[1]],
            [0, 0, 1],
        ]
    )
    turned, _ = cv2.Rodrigues(rows)
    expected, _ = cv2.projectPoints(
        world, turned, -rows @ position, matrix, np.array([phone.k1, 0, 0, 0, 0])
    )
    assert np.linalg.det(rows) == pytest.approx(1)
    assert found == pytest.approx(expected[:, 0], abs=1e-6)
    assert camera.undistort(found, phone) == pytest.approx(view.directions(world, pose), abs=1e-7)


def test_srgb_coding() -> None:
    # IEC 61966-2-1 as read in colour-science
    assert camera.srgb(np.float32([0.18])) == pytest.approx([0.4613561], abs=1e-6)
    linear = np.float32([0.0512695, 0.2158605, 0.5028865])
    assert 255 * camera.srgb(linear) == pytest.approx([64, 128, 188], abs=1e-3)


def test_the_photograph_keeps_light_and_colour_and_has_the_sensors_noise() -> None:
    phone = camera.Phone(
        width_px=320,
        height_px=240,
        f35_mm=26,
        true_f35_mm=26.2,
        centre_px=(0, 0),
        k1=0.01,
        blur_px=0.8,
        defocus_px=1.0,
        full_well_e=4000,
        read_noise_e=3,
        sharpen=0,
        jpeg_quality=95,
        orientation=6,
    )
    margin = 2 * camera.MARGIN_PX
    light = np.empty((240 + margin, 320 + margin, 3), np.float32)
    light[:] = (0.5, 0.2, 0.05)
    face_px = np.array([(150, 150), (250, 150), (250, 220), (150, 220)], dtype=float)
    taken = camera.photograph(light, face_px, phone, seed=1)
    file = camera.jpeg(taken, phone)

    with Image.open(io.BytesIO(file)) as image:
        assert image.size == (320, 240)
        assert image.getexif()[274] == 6
        assert image.getexif().get_ifd(0x8769)[41989] == 26
    code = taken / 255
    linear = ((code + 0.055) / 1.055) ** 2.4
    # white noise of 3 e- and shot noise bias the mean by well under 1 %
    assert linear.mean(axis=(0, 1)) == pytest.approx([0.5, 0.2, 0.05], rel=0.015)
    # red is measured at one pixel in four, and interpolation makes the rest quieter
    shot = np.sqrt(0.5 * 4000 + 9) / 4000
    assert 0.5 * shot < linear[..., 0].std() < 1.05 * shot


@pytest.mark.parametrize("seed", range(1, 7))
def test_random_specimens_can_be_read_at_all(seed: int) -> None:
    specimen = draw.random_specimen(seed)
    assert specimen.normal is not None
    assert 20 <= specimen.ripple_um <= 250
    assert draw.excitation(specimen.normal, specimen.plan) >= draw.MIN_EXCITATION
    ramp = specimen.plan.ramp_of(specimen.axis)
    assert ramp.start < specimen.normal.frequency_hz < ramp.end
    corners = np.array(specimen.face_corners_px())
    assert (corners > 0).all()
    assert (corners < (specimen.phone.width_px, specimen.phone.height_px)).all()
    assert draw.random_specimen(seed).plan == specimen.plan


def test_excitation_agrees_with_the_simulation() -> None:
    axis = Oscillator(frequency_hz=31.0, damping_ratio=0.05)
    track = simulate.simulate(make_plan(), "x", axis, None)
    unshaped = 1000 * (track.n_mm[:, track.setting[40]] - track.side_mm / 2)
    t = simulate.STEP_S * np.arange(len(unshaped)) - simulate.FACE * track.wall_s
    w = 2 * np.pi * 31.0
    crests, _ = find_peaks(unshaped)
    crests = crests[(t[crests] > 0) & (t[crests] < 0.1)]
    # at a crest of a damped sine of amplitude A the sine itself is at sqrt(1 - zeta²)
    decayed = np.exp(-0.05 * w * t[crests]) * 1000 * 3000 / w**2
    assert len(crests) == 3
    # the previous corner's wave is still there, exp(-.05 w .49 s) = 1 % of it
    found = unshaped[crests] / decayed
    assert found == pytest.approx(draw.excitation(axis, make_plan()), rel=0.02)


def test_a_blank_has_no_oscillator() -> None:
    blank = draw.blank_specimen(1)
    assert blank.normal is None
    assert blank.along is None
    assert blank.ripple_um == 0


def test_a_turned_tower_is_seen_turned_about_its_middle() -> None:
    as_it_should, turned = (
        np.array(make(3).face_corners_px()) for make in (draw.random_specimen, draw.turned_specimen)
    )
    # the base lies where the top did, but for the perspective and a tower that is off its place
    size_px = np.linalg.norm(as_it_should[2] - as_it_should[0])
    assert np.abs(turned - np.roll(as_it_should, -2, axis=0)).max() < 0.05 * size_px


def test_the_truth_is_json_and_holds_the_plan() -> None:
    specimen = draw.random_specimen(2)
    known = json.loads(json.dumps(truth(specimen), allow_nan=False, default=float))
    plan = build_plan(known["plan"])
    assert plan.digest == known["plan_digest"] == specimen.plan.digest
    assert specimen.normal is not None
    assert known["natural_frequency_hz"] == specimen.normal.frequency_hz
    assert known["phone"]["k1"] == specimen.phone.k1
    assert truth(draw.blank_specimen(1))["natural_frequency_hz"] is None


def test_the_sample_images_are_those_of_the_generator() -> None:
    folder = Path(__file__).resolve().parents[1] / "sample_images"
    known = json.loads((folder / "truth.json").read_text())
    specimens = {f"{specimen.name}.jpg": specimen for specimen in sample_specimens()}
    assert set(known) == set(specimens) == {path.name for path in folder.glob("*.jpg")}
    for name, specimen in specimens.items():
        assert known[name]["plan_digest"] == specimen.plan.digest
        assert np.array(known[name]["face_corners_px"]) == pytest.approx(
            np.array(specimen.face_corners_px()), abs=0.01
        )
        assert (folder / name).stat().st_size <= 3_000_000
        with Image.open(folder / name) as image:
            assert 7.9e6 < image.width * image.height < 12.3e6
            assert image.getexif()[274] == specimen.phone.orientation


def test_the_sample_images_cover_what_the_tool_must_read() -> None:
    ringing = [s for s in sample_specimens() if s.normal is not None]
    frequencies = [s.normal.frequency_hz for s in ringing if s.normal is not None]
    assert {s.axis for s in ringing} == {"x", "y"}
    assert min(frequencies) < 23
    assert max(frequencies) > 45
    assert min(s.ripple_um for s in ringing) < 22
    assert max(s.ripple_um for s in ringing) > 195
    assert {s.lamp.side for s in ringing} == {-1, 1}
    assert max(s.pose.tilt_deg for s in ringing) == pytest.approx(15)
    assert {"ZV", "ZVD"} <= {s.plan.shaper.family for s in ringing}
    # a third of the natural frequency, where ZV cancels too, is in the ramp
    assert any(
        s.plan.shaper.family == "ZV" and f / 3 > s.plan.ramp_of(s.axis).start + 1
        for s, f in zip(ringing, frequencies, strict=True)
    )
    assert [s for s in sample_specimens() if s.normal is None]
