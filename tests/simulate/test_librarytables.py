"""The library's tables that ship are the library's, and sittings are drawn by them alone."""

import subprocess
import sys

import colour
import numpy as np
import pytest

from cardreader.simulate import colorimetry, librarytables
from cardreader.simulate.blood import WAVELENGTHS_NM

SHAPE = colour.SpectralShape(WAVELENGTHS_NM[0], WAVELENGTHS_NM[-1], 5)


def test_they_are_what_the_command_writes(tmp_path):
    librarytables.write_tables(tmp_path)
    made = sorted(path.name for path in tmp_path.iterdir())
    assert made == ["camera_sensitivities.csv", "cie_daylight.csv", "cie_spectra.csv"]
    for name in made:
        shipped = (librarytables.DATA / name).read_text("utf-8")
        assert shipped == (tmp_path / name).read_text("utf-8")


def test_the_observer_is_the_librarys():
    seen = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(SHAPE)
    np.testing.assert_array_equal(colorimetry.observer(), seen.values)
    # Laid out alike too, since products round by that.
    assert colorimetry.observer().strides == np.array(seen.values).strides


@pytest.mark.parametrize("name", [*librarytables.TABULATED_LIGHTS, "FL3.1", "HP1"])
def test_lights_are_the_librarys(name):
    power = colour.SDS_ILLUMINANTS[name].copy().align(SHAPE).values
    np.testing.assert_array_equal(colorimetry.light(name), power / power.mean())


def test_cameras_are_the_librarys():
    cameras = colour.MSDS_CAMERA_SENSITIVITIES.values()
    for name, curves in zip(librarytables.MEASURED_CAMERAS, cameras, strict=True):
        for channel, curve in zip("rgb", curves.values.T, strict=True):
            kept = librarytables.columns("camera_sensitivities", f"{name}-{channel}")[:, 0]
            at = np.interp(WAVELENGTHS_NM, curves.wavelengths, curve, left=0, right=0)
            np.testing.assert_array_equal(kept, np.maximum(at, 0))


def test_sittings_are_drawn_without_the_library():
    code = """if True:
        import sys
        import numpy as np
        from cardreader.simulate import demolots, patchdraw, scene
        from cardreader.simulate.cameras import Family
        lot = demolots.IN_DATE.lot()
        for family in Family:
            for seed in range(12):
                rng = np.random.default_rng(seed)
                drawn = scene.draw_scene(rng, 9.0, lot, 27001, family=family, rendered=True)
                patchdraw.patch_draw(drawn, rng)
        assert "colour" not in sys.modules
    """
    subprocess.run([sys.executable, "-c", code], check=True, timeout=120)
