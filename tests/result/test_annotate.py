"""The annotated picture: what is drawn stands where the reading says."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from fakes import lot, photo, reading, refused
from PIL import Image, ImageCms

from cardreader.card import layout
from cardreader.core.refusal import Reason
from cardreader.decide.subject import Subject
from cardreader.result.annotate import (
    BAND_PX,
    INK,
    PAD_PX,
    PAPER,
    QUIET,
    SMALL_PX,
    WIDTH_PX,
    annotate,
    write_annotated,
)


def _x_of(hb_g_dl: float) -> float:
    """Where a value belongs: the ramp's ends stand at the margins, the rest evenly between."""
    low, high = layout.RAMP_HB_G_DL[0], layout.RAMP_HB_G_DL[-1]
    return PAD_PX + (hb_g_dl - low) / (high - low) * (WIDTH_PX - 2 * PAD_PX)


def _red(column: np.ndarray) -> np.ndarray:
    return (column[:, 0] - column[:, 1] > 60) & (column[:, 0] > 120)


def _marker_x(picture: Image.Image) -> float:
    """Middle of the triangle's tip: between interval bar and ticks nothing else is dark."""
    pixels = np.asarray(picture).astype(int)
    top = int(np.flatnonzero(_red(pixels[:, PAD_PX + 4]))[0])
    dark = np.abs(pixels[top - 9] - INK).sum(-1) < 20
    return float(np.flatnonzero(dark).mean())


def _scale_band(picture: Image.Image) -> np.ndarray:
    """Rows of the band of shades: the long run of reds on the panel."""
    pixels = np.asarray(picture).astype(int)
    rows = np.flatnonzero(_red(pixels[:, PAD_PX + 4]))
    assert len(rows) == BAND_PX
    return pixels[rows]


def test_picture_is_as_wide_as_three_pixels_to_each_of_a_narrow_phone() -> None:
    picture = annotate(reading())
    assert picture.width == 3 * 360
    assert picture.mode == "RGB"
    assert picture.height < 2.5 * picture.width


def test_smallest_text_is_12_px_on_a_narrow_phone() -> None:
    assert SMALL_PX / (WIDTH_PX / 360) >= 12


def test_text_has_enough_contrast() -> None:
    """Contrast at least 4.5 to 1: WCAG 2.2, success criterion 1.4.3, and its luminance formula."""

    def luminance(colour: tuple[int, int, int]) -> float:
        c = np.array(colour) / 255
        linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
        return float(linear @ (0.2126, 0.7152, 0.0722))

    for ink in (INK, QUIET):
        ratio = (luminance(PAPER) + 0.05) / (luminance(ink) + 0.05)
        assert ratio >= 4.5


def test_band_shows_the_shades_of_the_lot() -> None:
    """Ends of the band against Little CMS (through Pillow), which knows nothing of this project."""
    band = _scale_band(annotate(reading()))
    seen = band[len(band) // 2][[PAD_PX + 2, WIDTH_PX - PAD_PX - 3]]
    to_srgb = ImageCms.buildTransform(
        ImageCms.createProfile("LAB", 5000),
        ImageCms.createProfile("sRGB"),
        "LAB",
        "RGB",
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
    )
    ramp = [i for i, cell in enumerate(layout.cells()) if cell.kind is layout.Kind.RAMP]
    ends = (lot().lab[ramp[:2]].mean(0), lot().lab[ramp[-2:]].mean(0))
    for rgb, (lightness, a, b) in zip(seen, ends, strict=True):
        code = bytes([round(2.55 * lightness), round(a), round(b)])
        pixel = Image.frombytes("LAB", (1, 1), code)
        expected = ImageCms.applyTransform(pixel, to_srgb).getpixel((0, 0))
        assert tuple(rgb) == pytest.approx(expected, abs=4)  # 8-bit Lab costs up to 2 levels


@pytest.mark.parametrize("hb_g_dl", [4.0, 7.5, 9.0, 12.0, 16.0])
def test_marker_stands_at_the_value(hb_g_dl: float) -> None:
    assert _marker_x(annotate(reading(hb_g_dl))) == pytest.approx(_x_of(hb_g_dl), abs=2)


def test_limits_are_ticked_and_move_with_elevation() -> None:
    def ticks(picture: Image.Image) -> list[int]:
        band = _scale_band(picture)
        dark = (np.abs(band - INK).sum(-1) < 20).all(axis=0)
        at = np.flatnonzero(dark)
        return [int(g.mean().round()) for g in np.split(at, np.flatnonzero(np.diff(at) > 1) + 1)]

    assert ticks(annotate(reading())) == pytest.approx([_x_of(7.0), _x_of(11.0)], abs=1.5)
    high = Subject(trimester=2, elevation_m=2000.0)
    # 1.24768 g/dL at 2000 m, worked by hand in test_protocol.
    assert ticks(annotate(reading(protocol_id="who-2024", subject=high))) == pytest.approx(
        [_x_of(t + 1.24768) for t in (7.0, 10.0, 10.5)], abs=1.5
    )


def test_scale_runs_over_the_ramp_and_stays_inside_for_values_beyond() -> None:
    band = _scale_band(annotate(reading(9.0)))
    reds = np.flatnonzero(_red(band[len(band) // 2]))
    assert (reds[0], reds[-1]) == (PAD_PX, WIDTH_PX - PAD_PX - 1)
    assert _marker_x(annotate(reading(2.0))) == pytest.approx(PAD_PX, abs=2)
    assert _marker_x(annotate(reading(19.0, 3.0))) == pytest.approx(WIDTH_PX - PAD_PX, abs=2)


def test_outlines_follow_the_pose() -> None:
    """With the card found its edge is drawn: white over dark on the grey table."""
    found = np.asarray(annotate(refused(Reason.BLOT_MISSING, with_card=True))).astype(int)
    size = found.shape[1]
    edge = (np.abs(found[: size // 2] - 255).sum(-1) < 12).sum()
    bare = np.asarray(annotate(refused(Reason.NO_CARD))).astype(int)
    assert edge > 1500
    assert (np.abs(bare[: size // 2] - 255).sum(-1) < 12).sum() < edge / 4


def test_refused_photo_has_no_scale() -> None:
    pixels = np.asarray(annotate(refused())).astype(int)
    panel = pixels[-600:]
    assert ((panel[..., 0] - panel[..., 1]) > 60).sum() == 0


def test_without_a_photo_only_the_words_are_drawn() -> None:
    words = annotate(refused(Reason.NOT_AN_IMAGE))
    assert words.height < annotate(refused(Reason.NO_CARD)).height


def test_deep_and_wide_gamut_photos_are_shown() -> None:
    plain = np.asarray(annotate(reading()))
    deep = reading()
    deep.photo.encoded = deep.photo.encoded.astype(np.uint16) * 257
    assert np.abs(np.asarray(annotate(deep)).astype(int) - plain).max() <= 1
    wide = reading()
    wide.photo = photo()
    wide.photo.to_srgb = np.eye(3)
    wide.photo.to_linear = lambda v: np.where(
        v / 255 <= 0.04045, v / 255 / 12.92, ((v / 255 + 0.055) / 1.055) ** 2.4
    )
    assert np.abs(np.asarray(annotate(wide)).astype(int) - plain).max() <= 1


@pytest.mark.parametrize(
    ("name", "kind"), [("a.jpg", "JPEG"), ("b.JPEG", "JPEG"), ("c.png", "PNG")]
)
def test_written_file(tmp_path: Path, name: str, kind: str) -> None:
    write_annotated(tmp_path / name, reading())
    with Image.open(io.BytesIO((tmp_path / name).read_bytes())) as image:
        image.load()
        assert image.format == kind
        assert not image.getexif()
    assert [p.name for p in tmp_path.iterdir()] == [name]


def test_other_endings_are_named(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"ends in \.jpg, \.jpeg, \.png"):
        write_annotated(tmp_path / "a.gif", reading())


def test_a_failed_write_leaves_what_was_there(tmp_path: Path, monkeypatch) -> None:
    target = tmp_path / "a.png"
    target.write_bytes(b"before")

    def fail(*_: object) -> None:
        raise OSError("disk full")

    monkeypatch.setattr("cardreader.core.files.os.replace", fail)
    with pytest.raises(OSError, match="disk full"):
        write_annotated(target, reading())
    assert target.read_bytes() == b"before"
    assert [p.name for p in tmp_path.iterdir()] == ["a.png"]
