"""Pictures: every format comes back to the digit, and what is damaged, odd or huge is refused in one line."""

import io
import struct
import warnings
import zlib
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image

from xsect.capture.image_files import RawImage, _jpeg_complete, read_image
from xsect.reasons import Refusal

REAL = Path(__file__).parents[2].parent / "shared" / "real"
SHAPE = (70, 90)


def noise(dtype: str, *more: int, low: int = 0, high: int | None = None) -> NDArray[Any]:
    top = np.iinfo(dtype).max + 1 if high is None else high
    picture = np.random.default_rng(7).integers(low, top, (*SHAPE, *more), dtype=dtype)
    picture[0, 0] = top - 1  # the whole range is used
    return picture


GREY8, GREY16, RGB8, RGB16 = noise("uint8"), noise("uint16"), noise("uint8", 3), noise("uint16", 3)


def encode(picture: Image.Image, kind: str, **options: Any) -> bytes:
    out = io.BytesIO()
    picture.save(out, kind, **options)
    return out.getvalue()


def tiff(picture: NDArray[Any], **options: Any) -> bytes:
    out = io.BytesIO()
    colour = picture.ndim == 3 and picture.shape[-1] in (3, 4)
    options.setdefault("photometric", "rgb" if colour else "minisblack")
    tifffile.imwrite(out, picture, **options)
    return out.getvalue()


def read(folder: Path, data: bytes, name: str = "picture.bin", **options: Any) -> RawImage:
    (folder / name).write_bytes(data)
    return read_image(folder / name, **options)


def refusal(folder: Path, data: bytes, **options: Any) -> tuple[str, str]:
    with pytest.raises(Refusal) as error:
        read(folder, data, **options)
    text = str(error.value)
    assert "\n" not in text
    assert "picture.bin" in text
    return error.value.finding.code, text


def png16(picture: NDArray[np.uint16]) -> bytes:
    return cv2.imencode(".png", picture if picture.ndim == 2 else picture[..., ::-1])[1].tobytes()


PALETTED = Image.fromarray(RGB8).quantize(32)
LOSSLESS = {
    "png grey": (encode(Image.fromarray(GREY8), "PNG"), GREY8),
    "png rgb": (encode(Image.fromarray(RGB8), "PNG"), RGB8),
    "png grey 16": (png16(GREY16), GREY16),
    "png rgb 16": (png16(RGB16), RGB16),
    "png one bit": (encode(Image.fromarray(GREY8 > 127), "PNG"), (GREY8 > 127) * np.uint8(255)),
    "png palette": (encode(PALETTED, "PNG"), np.asarray(PALETTED.convert("RGB"))),
    "png rgba opaque": (encode(Image.fromarray(RGB8).convert("RGBA"), "PNG"), RGB8),
    "png grey alpha": (encode(Image.fromarray(GREY8).convert("LA"), "PNG"), GREY8),
    "png grey as rgb": (encode(Image.fromarray(GREY8).convert("RGB"), "PNG"), GREY8),
    "bmp grey": (encode(Image.fromarray(GREY8), "BMP"), GREY8),
    "bmp rgb": (encode(Image.fromarray(RGB8), "BMP"), RGB8),
    "bmp palette": (encode(PALETTED, "BMP"), np.asarray(PALETTED.convert("RGB"))),
    "tiff grey": (tiff(GREY8), GREY8),
    "tiff grey 16 big-endian": (tiff(GREY16, byteorder=">"), GREY16),
    "tiff lzw predictor": (tiff(RGB8, compression="lzw", predictor=True), RGB8),
    "tiff deflate 16": (tiff(RGB16, compression="zlib", predictor=True, rowsperstrip=9), RGB16),
    "tiff packbits": (tiff(GREY8, compression="packbits"), GREY8),
    "tiff tiled": (tiff(RGB8, tile=(32, 48), compression="zlib"), RGB8),
    "tiff bigtiff": (tiff(RGB8, bigtiff=True, tile=(32, 32)), RGB8),
    "tiff planar": (tiff(np.moveaxis(RGB8, 2, 0).copy(), photometric="rgb", planarconfig="separate"), RGB8),
    "tiff min is white": (tiff(GREY8, photometric="miniswhite"), 255 - GREY8),
    "tiff two levels": (tiff(GREY8 > 127), (GREY8 > 127) * np.uint8(255)),
    "tiff two levels, 0 white": (
        tiff(GREY8 > 127, photometric="miniswhite"), (GREY8 <= 127) * np.uint8(255),
    ),
    "tiff whole floats": (tiff(GREY16.astype(np.float32)), GREY16),
    "tiff int32": (tiff(GREY8.astype(np.int32)), GREY8),
    "tiff rgba opaque": (
        tiff(np.dstack((RGB8, np.full(SHAPE, 255, np.uint8))), extrasamples=["unassalpha"]), RGB8,
    ),
    "tiff rgb and spare": (tiff(np.dstack((RGB8, GREY8)), extrasamples=["unspecified"]), RGB8),
    "tiff ome": (tiff(RGB8, ome=True, metadata={"axes": "YXS"}), RGB8),
    "tiff grey as rgb": (tiff(np.dstack((GREY8,) * 3)), GREY8),
}  # fmt: skip


@pytest.mark.parametrize(("data", "expected"), LOSSLESS.values(), ids=LOSSLESS)
def test_lossless_pictures_come_back_to_the_digit(
    tmp_path: Path, data: bytes, expected: NDArray[Any]
) -> None:
    raw = read(tmp_path, data)
    assert raw.pixels.dtype == expected.dtype
    assert np.array_equal(raw.pixels, expected)
    assert raw.transparent is None
    assert raw.pixels.flags.c_contiguous


@pytest.mark.parametrize(
    "data",
    [
        encode(Image.fromarray(cv2.blur(RGB8, (9, 9))), "JPEG", quality=95),
        encode(Image.fromarray(cv2.blur(RGB8, (9, 9))), "JPEG", quality=95, progressive=True),
        tiff(cv2.blur(RGB8, (9, 9)), compression="jpeg", tile=(48, 48)),
        encode(Image.fromarray(cv2.blur(RGB8, (9, 9))), "TIFF", compression="jpeg", quality=95),
    ],
    ids=["baseline", "progressive", "tiled in tiff", "strips in tiff"],
)
def test_jpeg_keeps_colour_order_and_level(tmp_path: Path, data: bytes) -> None:
    raw = read(tmp_path, data)
    # Quality 95 moves a smooth picture by a few levels; exchanged channels would move it by tens.
    assert np.abs(raw.pixels.astype(int) - cv2.blur(RGB8, (9, 9))).mean() < 4


def packed(picture: NDArray[np.uint16], bits: int) -> bytes:
    """A little-endian TIFF of one strip in which samples of ``bits`` bits follow each other without a gap."""
    rows, columns = picture.shape
    digits = (picture[..., None] >> np.arange(bits - 1, -1, -1)) & 1
    strip = np.packbits(digits.reshape(rows, -1).astype(np.uint8), axis=1).tobytes()
    tags = [(256, columns), (257, rows), (258, bits), (259, 1), (262, 1), (273, 8 + 2 + 9 * 12 + 4), (277, 1),
            (278, rows), (279, len(strip))]  # fmt: skip
    entries = b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in tags)
    return b"II*\0" + struct.pack("<IH", 8, len(tags)) + entries + b"\0\0\0\0" + strip


def test_12_bit_pictures_fill_the_range(tmp_path: Path) -> None:
    twelve = noise("uint16", high=4096)
    for data in (packed(twelve, 12), tiff(twelve), png16(twelve)):
        raw = read(tmp_path, data)
        assert raw.pixels.max() == 65535  # the camera's saturation must be the array's
        assert np.array_equal(raw.pixels >> 4, twelve)
        assert raw.notes == ("values of 12 bit in 16-bit words",)


def test_a_dark_12_bit_picture_is_stretched_by_the_bits_that_its_file_states(tmp_path: Path) -> None:
    dark = noise("uint16", high=1000)
    assert np.array_equal(read(tmp_path, packed(dark, 12)).pixels >> 4, dark)


def test_pictures_of_4_bit_fill_8(tmp_path: Path) -> None:
    four = noise("uint16", high=16)
    raw = read(tmp_path, packed(four, 4))
    assert raw.pixels.dtype == np.uint8
    assert np.array_equal(raw.pixels, four * 17)


def test_transparent_pixels_are_reported_not_blended(tmp_path: Path) -> None:
    opacity = np.full(SHAPE, 255, np.uint8)
    opacity[10:20, 30:50] = 0
    rgba = np.dstack((RGB8, opacity))
    for data in (encode(Image.fromarray(rgba), "PNG"), tiff(rgba, extrasamples=["unassalpha"])):
        raw = read(tmp_path, data)
        assert np.array_equal(raw.pixels, RGB8)
        assert raw.transparent is not None
        assert np.array_equal(raw.transparent, opacity == 0)
        assert raw.notes == ("3.17% of the picture is transparent",)


def test_an_alpha_channel_that_nobody_filled_hides_nothing(tmp_path: Path) -> None:
    raw = read(tmp_path, encode(Image.fromarray(np.dstack((RGB8, np.zeros(SHAPE, np.uint8)))), "PNG"))
    assert np.array_equal(raw.pixels, RGB8)
    assert raw.transparent is None


def test_the_first_full_page_is_read(tmp_path: Path) -> None:
    with tifffile.TiffWriter(tmp_path / "pages.tif") as out:
        out.write(GREY8[:35, :45], subfiletype=1)
        out.write(RGB8, photometric="rgb")
        out.write(GREY8)
    raw = read_image(tmp_path / "pages.tif")
    assert np.array_equal(raw.pixels, RGB8)
    assert raw.notes == ("page 2 of 3",)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF"])
def test_orientation_is_not_applied_but_told(tmp_path: Path, kind: str) -> None:
    exif = Image.Exif()
    exif[0x0112] = 6
    raw = read(tmp_path, encode(Image.fromarray(RGB8), kind, exif=exif))
    assert raw.pixels.shape == RGB8.shape
    assert raw.notes == ("orientation 6 of the file is not applied",)


@pytest.mark.parametrize("share", [0.1, 0.3, 0.6, 0.95, 0.999])
@pytest.mark.parametrize(
    "data",
    [
        LOSSLESS["png rgb"][0],
        LOSSLESS["png palette"][0],
        LOSSLESS["bmp rgb"][0],
        encode(Image.fromarray(RGB8), "JPEG"),
        encode(Image.fromarray(RGB8), "JPEG", progressive=True),
        encode(Image.fromarray(RGB8), "JPEG", exif=b"Exif\0\0" + encode(Image.fromarray(RGB8), "JPEG")),
        LOSSLESS["tiff grey"][0],
        LOSSLESS["tiff tiled"][0],
        LOSSLESS["tiff lzw predictor"][0],
        LOSSLESS["tiff bigtiff"][0],
        tiff(RGB8, compression="jpeg"),
    ],
    ids=["png", "png palette", "bmp", "jpeg", "progressive", "jpeg thumbnail", "tiff", "tiled", "lzw", "big",
         "tiff jpeg"],
)  # fmt: skip
def test_files_cut_short_are_refused(
    tmp_path: Path, data: bytes, share: float, capfd: pytest.CaptureFixture[str]
) -> None:
    code, _ = refusal(tmp_path, data[: int(len(data) * share)])
    assert code == "image_unreadable"
    assert capfd.readouterr() == ("", "")


def test_a_jpeg_is_complete_by_its_own_end_mark_not_its_thumbnails() -> None:
    thumbnail = encode(Image.fromarray(RGB8), "JPEG")
    data = encode(Image.fromarray(RGB8), "JPEG", exif=b"Exif\0\0" + thumbnail)
    assert data.count(b"\xff\xd9") == 2
    assert _jpeg_complete(data)
    assert _jpeg_complete(data + b"more, as some cameras append")
    assert not any(_jpeg_complete(data[:end]) for end in (2, 500, len(data) // 2, len(data) - 1))


@pytest.mark.parametrize("name", ["png rgb", "png grey 16", "tiff deflate 16"])
@pytest.mark.parametrize("place", [0.2, 0.5, 0.8])
def test_a_flipped_bit_in_checked_data_is_refused(tmp_path: Path, name: str, place: float) -> None:
    data = bytearray(LOSSLESS[name][0])
    data[int(len(data) * place)] ^= 0x10
    assert refusal(tmp_path, bytes(data))[0] == "image_unreadable"


def test_an_lzw_strip_that_would_end_the_process_is_refused(tmp_path: Path) -> None:
    data = bytearray(LOSSLESS["tiff lzw predictor"][0])
    with tifffile.TiffFile(io.BytesIO(data)) as tif:
        offset = tif.pages.first.dataoffsets[0]
    data[offset + 1] |= 0x7F  # the code after the first clear code is no literal any more
    code, text = refusal(tmp_path, bytes(data))
    assert (code, "LZW" in text) == ("image_unreadable", True)


def test_a_side_beyond_the_decoders_own_limit_is_refused(tmp_path: Path) -> None:
    data = bytearray(LOSSLESS["bmp rgb"][0])
    data[18:22] = struct.pack("<i", 2_000_000)
    assert refusal(tmp_path, bytes(data))[0] == "image_unreadable"


@pytest.mark.parametrize(
    ("data", "code", "words"),
    [
        (b"", "image_unreadable", "the file is empty"),
        (b"no picture at all, just text", "image_unreadable", "not a picture"),
        (b"GIF89a....", "image_unreadable", "a GIF picture"),
        (b"%PDF-1.7", "image_unreadable", "a PDF document"),
        (b"II*\0", "image_unreadable", "damaged TIFF"),
        (b"BM" + bytes(40), "image_unreadable", "damaged BMP header"),
        (b"\xff\xd8\xff\xe0", "image_unreadable", "damaged JPEG header"),
        (encode(Image.fromarray(RGB8).convert("CMYK"), "JPEG"), "image_unreadable", "CMYK"),
        (encode(Image.fromarray(RGB8).convert("CMYK"), "TIFF"), "image_unreadable", "CMYK"),
        (encode(Image.fromarray(RGB8).convert("LAB"), "TIFF"), "image_unreadable", "CIELab"),
        (tiff(GREY8.astype(np.float32) / 255), "image_unreadable", "floating-point"),
        (tiff(np.full(SHAPE, np.nan, np.float32)), "image_unreadable", "nan"),
        (tiff(GREY8.astype(np.int16) - 9), "image_unreadable", "from -9 to 246"),
        (tiff(GREY8.astype(np.uint32) * 999), "image_unreadable", "must lie in 0 to 65535"),
        (tiff(np.zeros((4, 70, 90), np.uint8), volumetric=True), "image_unreadable", "a stack"),
        (tiff(GREY8[:63]), "image_too_small", "90 × 63 px"),
        (encode(Image.fromarray(GREY8[:, :8]), "PNG"), "image_too_small", "8 × 70 px"),
    ],
)  # fmt: skip
def test_what_is_no_usable_picture_is_refused(tmp_path: Path, data: bytes, code: str, words: str) -> None:
    got, text = refusal(tmp_path, data)
    assert got == code
    assert words in text


def test_missing_file_and_folder(tmp_path: Path) -> None:
    with pytest.raises(Refusal, match=r"^a\.png: no such file$"):
        read_image(tmp_path / "a.png", name="a.png")
    with pytest.raises(Refusal, match=r"^a: is a folder, not a picture$"):
        read_image(tmp_path, name="a")


def bomb(side: int) -> bytes:
    """A PNG header that claims side × side pixels, with no data behind it."""
    chunk = b"IHDR" + struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0)
    header = struct.pack(">I", 13) + chunk + struct.pack(">I", zlib.crc32(chunk))
    return b"\x89PNG\r\n\x1a\n" + header + struct.pack(">I", 1000) + b"IDAT"


def test_huge_pictures_are_refused_before_they_are_decoded(tmp_path: Path) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert refusal(tmp_path, bomb(60_000))[0] == "image_too_large"
        # 225 megapixels are within the limit: the refusal must come from the missing data.
        assert refusal(tmp_path, bomb(15_000))[0] == "image_unreadable"
    code, text = refusal(tmp_path, tiff(GREY8), max_pixels=6000)
    assert (code, text) == (
        "image_too_large", f"{tmp_path}/picture.bin: 90 × 70 px is above the limit of 0.006 megapixels",
    )  # fmt: skip


@pytest.mark.parametrize("name", ["lot.tif", "lot.png", "lot.txt", "lot"])
def test_the_content_decides_not_the_name(tmp_path: Path, name: str) -> None:
    assert read(tmp_path, LOSSLESS["bmp rgb"][0], name).kind == "BMP"


@pytest.mark.skipif(not REAL.is_dir(), reason="real pictures are not here")
@pytest.mark.parametrize(
    ("name", "kind", "shape"),
    [
        ("jpeg_inside.tif", "JPEG", (2048, 2048, 3)),
        ("stage_micrometer_10x.png", "PNG", (520, 696)),
        ("sem_se_500x.tif", "TIFF", (943, 1024)),
        ("layer_a.tif", "TIFF", (1024, 1024)),
    ],
)
def test_real_pictures(name: str, kind: str, shape: tuple[int, ...]) -> None:
    raw = read_image(REAL / name)
    assert (raw.kind, raw.pixels.shape) == (kind, shape)


@given(
    rows=st.integers(64, 90),
    columns=st.integers(64, 90),
    dtype=st.sampled_from(["uint8", "uint16"]),
    bands=st.sampled_from([(), (3,)]),
    compression=st.sampled_from([None, "lzw", "zlib", "zstd"]),
    tile=st.sampled_from([None, (16, 32), (64, 64)]),
    byteorder=st.sampled_from(["<", ">"]),
)
@settings(max_examples=25, deadline=None)
def test_tiff_layouts_come_back(
    tmp_path_factory: pytest.TempPathFactory,
    rows: int,
    columns: int,
    dtype: str,
    bands: tuple[int, ...],
    compression: str | None,
    tile: tuple[int, int] | None,
    byteorder: Any,
) -> None:
    top = np.iinfo(dtype).max
    picture = np.random.default_rng(rows * columns).integers(0, top, (rows, columns, *bands), dtype=dtype)
    picture[0, 0] = top
    data = tiff(picture, compression=compression, tile=tile, byteorder=byteorder)
    assert np.array_equal(read(tmp_path_factory.mktemp("tiff"), data).pixels, picture)
