"""read_photo: formats, EXIF, damage; and the sRGB decoding."""

import hashlib
import io
import struct
import sys
import warnings
import zlib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from ringscan.errors import PhotoError
from ringscan.image.photo import read_photo, srgb_table

WIDTH, HEIGHT = 1200, 900


@pytest.fixture(scope="module")
def scene() -> Image.Image:
    """A smooth coloured gradient with a bright upper left quarter, so that turns are seen."""
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    rgb = np.stack([40 + x * 120 // WIDTH, 60 + y * 100 // HEIGHT, 90 + 0 * x], axis=-1)
    rgb[: HEIGHT // 2, : WIDTH // 2] += 60
    return Image.fromarray(rgb.astype(np.uint8))


def saved(image: Image.Image, path: Path, **how) -> Path:
    image.save(path, **how)
    return path


@pytest.mark.parametrize(
    ("code", "linear"),
    [(64, 0.0512695), (128, 0.2158605), (188, 0.5028865), (0, 0.0), (255, 1.0)],
)
def test_srgb_codes_decode_as_the_standard_says(code, linear):
    # IEC 61966-2-1, values derived from its formula; float32 keeps 7 digits
    assert srgb_table(8)[code] == pytest.approx(linear, abs=2e-7)


def test_srgb_of_eighteen_per_cent_grey_in_16_bits():
    # oetf(.18) = .4613561 (read from colour-science); one 16-bit step is 2.4e-5 in linear light
    assert srgb_table(16)[round(0.4613561 * 65535)] == pytest.approx(0.18, abs=2.4e-5)


def test_luma_of_a_coloured_surface_is_linear_in_its_light(tmp_path):
    # the same orange under two lights, one twice the other; coded by the standard's formula
    orange = np.array([0.40, 0.16, 0.06])
    codes = [np.round(255 * (1.055 * (k * orange) ** (1 / 2.4) - 0.055)) for k in (1, 2)]
    rgb = np.zeros((1000, 1200, 3), np.uint8)
    rgb[:, :600], rgb[:, 600:] = codes
    photo = read_photo(saved(Image.fromarray(rgb), tmp_path / "a.png"))
    light = photo.linear(slice(0, 1000), slice(0, 1200))
    # one code of rounding in 120 is about 2 %
    assert light[500, 900] / light[500, 100] == pytest.approx(2.0, rel=0.02)


@pytest.mark.parametrize(
    ("name", "how"),
    [
        ("a.jpg", {"quality": 95}),
        ("a.png", {}),
        ("a.tif", {"compression": "tiff_lzw"}),
        ("a.webp", {"quality": 95}),
        ("a.mpo", {"save_all": True, "append_images": [Image.new("RGB", (64, 64))]}),
    ],
)
def test_formats_give_the_same_picture(scene, tmp_path, name, how):
    photo = read_photo(saved(scene, tmp_path / name, **how))
    assert (photo.width_px, photo.height_px) == (WIDTH, HEIGHT)
    assert photo.half_rgb is not None
    # lossy formats differ by a few codes, at the quarter's edges only by more
    rgb = np.asarray(scene).astype(float)
    half = rgb.reshape(HEIGHT // 2, 2, WIDTH // 2, 2, 3).mean(axis=(1, 3))
    assert np.abs(photo.half_rgb - half).mean() < 1.5
    # Rec. 601 luma is what JPEG stores
    luma = rgb @ [0.299, 0.587, 0.114]
    assert np.abs(photo.luma - luma).mean() < 1.0


HEIC = Path(__file__).parent / "heic"
"""Those read here were made by heif-enc 1.15 of libheif with x265, quality 90: the library that
reads has no encoder."""


def test_heic_is_upright_and_in_its_colours():
    pytest.importorskip("pi_heif")
    # stored as 900 x 1200 px, with a rotation property of 270 degrees (ISO/IEC 23008-12, 6.5.10);
    # its EXIF orientation says the same once more, and must not turn it again
    photo = read_photo(HEIC / "quarters-8-bit-turned.heic")
    assert (photo.width_px, photo.height_px) == (1200, 900)
    quarters = [(200, 40, 40), (40, 160, 60), (40, 60, 190), (128, 128, 128)]
    assert photo.half_rgb is not None
    for (row, col), colour in zip(((0, 0), (0, 300), (225, 0), (225, 300)), quarters, strict=True):
        # the codec works in luma and colour difference: rounding there is a code or two
        inner = photo.half_rgb[row + 15 : row + 210, col + 15 : col + 285].reshape(-1, 3)
        assert np.median(inner, axis=0) == pytest.approx(colour, abs=2)
    # 26 mm equivalent over the film's diagonal of 43.27 mm, times the picture's of 1500 px
    assert photo.focal_px == pytest.approx(901.3, abs=0.1)


def test_heic_of_10_bits_keeps_its_grey_levels():
    pytest.importorskip("pi_heif")
    # columns rise evenly from 8192 to 57344 of 65535
    photo = read_photo(HEIC / "ramp-10-bit.heic")
    assert (photo.width_px, photo.height_px) == (1200, 900)
    share = photo.luma[450].astype(float) / np.iinfo(photo.luma.dtype).max
    drawn = np.linspace(8192, 57344, 1200) / 65535
    # rounding to 8 bits, and one code of the codec's
    assert np.abs(share - drawn).max() < 1.6 / 255


def test_a_damaged_heic_is_refused(tmp_path):
    pytest.importorskip("pi_heif")
    fake = tmp_path / "a.heic"
    fake.write_bytes(b"\0\0\0\x18ftypheic" + bytes(200))
    with pytest.raises(PhotoError, match="not a picture"):
        read_photo(fake)
    whole = (HEIC / "quarters-8-bit-turned.heic").read_bytes()
    fake.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(PhotoError):
        read_photo(fake)


def test_heic_without_pi_heif_says_what_to_install(tmp_path, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "pi_heif", None)
    fake = tmp_path / "a.heic"
    fake.write_bytes(b"\0\0\0\x18ftypheic" + bytes(200))
    with pytest.raises(PhotoError, match=r"ringscan\[heic\]"):
        read_photo(fake)


def test_a_jpeg_s_coarseness_is_relative_to_the_standard_s_table(scene, tmp_path):
    """Common encoders scale table K.1 of ITU-T T.81 by 5000 / quality per cent below 50."""
    path = tmp_path / "a.jpg"
    for quality, coarseness in ((50, 1.0), (40, 1.25), (25, 2.0)):
        scene.save(path, quality=quality)
        assert read_photo(path).coarseness == pytest.approx(coarseness, rel=0.02)
    scene.save(path, quality=15)
    with pytest.raises(PhotoError, match="compressed so strongly"):
        read_photo(path)
    scene.save(tmp_path / "a.png")
    assert read_photo(tmp_path / "a.png").coarseness is None


def test_source_and_sha256_name_the_file(scene, tmp_path):
    path = saved(scene, tmp_path / "a.png")
    photo = read_photo(path)
    assert photo.source == "a.png"
    assert photo.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize("orientation", range(1, 9))
def test_exif_turns_are_undone(scene, tmp_path, orientation):
    exif = Image.Exif()
    exif[274] = orientation
    stored = np.asarray(scene)
    # EXIF 2.3, Orientation: where the 0th row and 0th column of the stored picture are shown
    stored = {
        1: stored,
        2: stored[:, ::-1],
        3: stored[::-1, ::-1],
        4: stored[::-1],
        5: stored.transpose(1, 0, 2),
        6: stored.transpose(1, 0, 2)[::-1],
        7: stored.transpose(1, 0, 2)[::-1, ::-1],
        8: stored.transpose(1, 0, 2)[:, ::-1],
    }[orientation]
    image = Image.fromarray(np.ascontiguousarray(stored))
    photo = read_photo(saved(image, tmp_path / "a.png", exif=exif))
    assert np.array_equal(photo.luma, np.asarray(scene.convert("L")))
    assert np.array_equal(photo.half_rgb, np.asarray(scene.reduce(2)))


@pytest.mark.parametrize("mode", ["L", "CMYK", "P", "RGBA", "LA", "1", "I;16"])
def test_every_pixel_mode_gives_luma(scene, tmp_path, mode):
    if mode == "I;16":
        grey = (np.asarray(scene.convert("L")).astype(np.uint16) << 8) + 77
        image = Image.fromarray(grey)
    else:
        image = scene.convert("L") if mode in ("LA", "1") else scene
        image = image.convert(mode, dither=Image.Dither.NONE if mode == "P" else None)
    photo = read_photo(saved(image, tmp_path / "a.tif"))
    assert photo.luma.dtype == (np.uint16 if mode == "I;16" else np.uint8)
    if mode == "1":  # dithered: only means can agree
        assert photo.luma.mean() == pytest.approx(np.asarray(scene.convert("L")).mean(), rel=0.02)
    else:
        # a palette of 216 colours is coarse: steps of 51
        limit = 30 if mode == "P" else 2
        expected = np.asarray(scene.convert("L")).astype(int)
        assert np.abs(photo.grey8().astype(int) - expected).max() <= limit


def test_transparent_pixels_are_white_paper(tmp_path):
    image = Image.new("RGBA", (1200, 1000), (10, 10, 10, 0))
    photo = read_photo(saved(image, tmp_path / "a.png"))
    assert (photo.luma == 255).all()


def test_clipped_and_dark_pixels_are_known(tmp_path):
    rgb = np.full((1000, 1200, 3), 120, np.uint8)
    rgb[:2, :2] = (255, 90, 20)  # one channel is enough
    rgb[0, 2] = (1, 1, 1)
    photo = read_photo(saved(Image.fromarray(rgb), tmp_path / "a.png"))
    clipped, dark = photo.unusable(slice(1, 3), slice(0, 3))
    assert clipped.tolist() == [[True, True, False], [False, False, False]]
    assert not dark.any()
    clipped, dark = photo.unusable(slice(0, 1), slice(1, 4))
    assert clipped.tolist() == [[True, False, False]]
    assert dark.tolist() == [[False, True, False]]


def test_odd_sizes_are_as_large_as_they_say(tmp_path):
    image = Image.new("RGB", (1201, 1001), (255, 255, 255))
    for name in ("a.jpg", "a.png"):
        photo = read_photo(saved(image, tmp_path / name))
        assert photo.luma.shape == (1001, 1201)
        clipped, _ = photo.unusable(slice(0, 1001), slice(0, 1201))
        assert clipped.shape == (1001, 1201)
        assert clipped.all()


def exif_with_focal(value) -> Image.Exif:
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = value
    return exif


def test_focal_length_comes_from_the_35_mm_equivalent(scene, tmp_path):
    photo = read_photo(saved(scene, tmp_path / "a.jpg", exif=exif_with_focal(26)))
    # 1500 px diagonal; film's is 43.27 mm
    assert photo.focal_px == pytest.approx(26 / 43.27 * 1500, rel=1e-9)


@pytest.mark.parametrize("value", [0, 1, 65535])
def test_unbelievable_focal_lengths_are_unknown(scene, tmp_path, value):
    path = saved(scene, tmp_path / "a.jpg", exif=exif_with_focal(value))
    assert read_photo(path).focal_px is None


def test_no_exif_means_no_focal_length(scene, tmp_path):
    assert read_photo(saved(scene, tmp_path / "a.jpg")).focal_px is None


@pytest.mark.parametrize("seed", range(12))
def test_hostile_exif_does_not_stop_a_good_picture(scene, tmp_path, seed):
    rng = np.random.default_rng(seed)
    good = exif_with_focal(26)
    good[274] = 6
    raw = bytearray(good.tobytes())
    where = rng.integers(6, len(raw), 8)
    for at in where:
        raw[at] = rng.integers(256)
    if seed % 3 == 0:
        raw = raw[: len(raw) // 2]
    data = io.BytesIO()
    scene.save(data, "JPEG", exif=bytes(raw))
    path = tmp_path / "a.jpg"
    path.write_bytes(data.getvalue())
    photo = read_photo(path)
    assert {photo.width_px, photo.height_px} == {WIDTH, HEIGHT}


def jpeg_of(size) -> bytes:
    data = io.BytesIO()
    Image.effect_noise(size, 40).save(data, "JPEG")
    return data.getvalue()


BAD_FILES = {
    "empty": (b"", "is empty"),
    "text": (b"not a picture at all " * 50, "not a picture"),
    "cut short": (jpeg_of((1200, 1000))[:30_000], "damaged or cut short"),
    "header only": (jpeg_of((1200, 1000))[:20], "not a picture"),
    "tiny": (jpeg_of((640, 480)), "640 × 480 px is too small"),
    "narrow": (jpeg_of((4000, 300)), "too small"),
    "svg": (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "not a picture"),
    "pdf": (b"%PDF-1.4\n", "not a picture"),
}


@pytest.mark.parametrize("kind", BAD_FILES)
def test_bad_files_end_in_one_clear_line(tmp_path, kind):
    data, said = BAD_FILES[kind]
    path = tmp_path / "bad.jpg"
    path.write_bytes(data)
    with pytest.raises(PhotoError, match=said) as caught:
        read_photo(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9, 0.99])
@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP", "TIFF"])
def test_files_cut_short_are_refused(tmp_path, share, form):
    # a reader that returns the rest in grey would measure it
    data = io.BytesIO()
    Image.effect_noise((1200, 1000), 40).convert("RGB").save(data, form)
    path = tmp_path / "cut"
    path.write_bytes(data.getvalue()[: int(share * len(data.getvalue()))])
    with pytest.raises(PhotoError):
        read_photo(path)


def png_header(width: int, height: int) -> bytes:
    """A PNG that claims a size and holds nothing."""

    def chunk(name: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))
        )

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", b"")


def test_huge_pictures_are_refused_before_they_are_decoded(tmp_path):
    path = tmp_path / "bomb.png"
    path.write_bytes(png_header(60_000, 60_000))
    with pytest.raises(PhotoError, match="3600 megapixels; at most 60"):
        read_photo(path)


def test_the_limit_of_megapixels_can_be_moved(scene, tmp_path):
    path = saved(scene, tmp_path / "a.png")
    with pytest.raises(PhotoError, match="at most 1 are read"):
        read_photo(path, max_megapixels=1)


def test_the_library_s_own_limit_is_restored(scene, tmp_path):
    before = Image.MAX_IMAGE_PIXELS
    read_photo(saved(scene, tmp_path / "a.png"))
    assert before == Image.MAX_IMAGE_PIXELS


def test_threads_leave_the_process_as_it_was(scene, tmp_path):
    before, filters = Image.MAX_IMAGE_PIXELS, list(warnings.filters)
    path = saved(scene, tmp_path / "a.png")
    # the switch of threads comes as often as it can
    interval = sys.getswitchinterval()
    sys.setswitchinterval(1e-6)
    try:
        with ThreadPoolExecutor(4) as pool:
            list(pool.map(lambda _: read_photo(path), range(24)))
    finally:
        sys.setswitchinterval(interval)
    assert before == Image.MAX_IMAGE_PIXELS
    assert warnings.filters == filters


def test_a_missing_file_and_a_folder_are_named(tmp_path):
    with pytest.raises(PhotoError, match="no such file"):
        read_photo(tmp_path / "none.jpg")
    with pytest.raises(PhotoError, match="is a folder"):
        read_photo(tmp_path)


def test_float_pictures_are_refused(tmp_path):
    path = tmp_path / "a.tif"
    Image.fromarray(np.ones((1000, 1200), np.float32)).save(path)
    with pytest.raises(PhotoError, match="no known scale"):
        read_photo(path)
