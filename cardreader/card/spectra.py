"""From spectra to colour: XYZ of reflectance factors, under D50, for the 1931 observer.

What CIE 15 asks for, as a sum by 5 nm. The two tables are the CIE's own numbers (CIE 15:2004,
tables T.1 and T.4), taken over from colour-science 0.4.7 (BSD-3-Clause), which the tests hold
them to: the library itself weighs more than the reader and is not needed to read.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_ENDS = np.array([[884, -1960, 3033, -2648, 1080, -180], [508, -540, 488, -367, 144, -24]]) / 209
"""Two values before the first, of the first six (Sprague 1880; CIE 167:2005)."""
_QUINTIC = (
    np.array(
        [
            [0, 0, 24, 0, 0, 0],
            [2, -16, 0, 16, -2, 0],
            [-1, 16, -30, 16, -1, 0],
            [-9, 39, -70, 66, -33, 7],
            [13, -64, 126, -124, 61, -12],
            [-5, 25, -50, 50, -25, 5],
        ]
    )
    / 24
)
"""Coefficients, constant first, of the curve between the third and fourth of six values."""


def spectra_to_xyz(wavelengths_nm: Array, spectra: Array) -> Array:
    """XYZ (diffuser Y = 1), (m, 3), of reflectance factors (m, n) at wavelengths (n,) in nm.

    Wavelengths stand in equal steps, six of them or more. Beyond their ends the last value
    is kept, as CIE 15 advises where nothing better is known.
    """
    observer, light = CIE_TABLE[:, 1:4], CIE_TABLE[:, 4:]
    weights = light * observer / (light * observer)[:, 1].sum()
    return np.asarray(between(wavelengths_nm, spectra, CIE_TABLE[:, 0]) @ weights)


def between(wavelengths_nm: Array, spectra: Array, wanted_nm: Array) -> Array:
    """Values (m, k) of spectra (m, n) at wanted wavelengths (k,), by Sprague's fifth-degree
    curve, as CIE 167 advises for equal steps. ValueError for fewer than six values.
    """
    if len(wavelengths_nm) < 6:
        raise ValueError("a spectrum needs six values or more")
    before = spectra[:, :6] @ _ENDS.T
    after = spectra[:, :-7:-1] @ _ENDS.T
    padded = np.hstack([before, spectra, after[:, ::-1]])
    step_nm = (wavelengths_nm[-1] - wavelengths_nm[0]) / (len(wavelengths_nm) - 1)
    at = np.clip((wanted_nm - wavelengths_nm[0]) / step_nm, 0, len(wavelengths_nm) - 1)
    cell = np.minimum(np.floor(at).astype(int), len(wavelengths_nm) - 2)
    six = padded[:, cell[:, None] + np.arange(6)]
    powers = (at - cell)[:, None] ** np.arange(6)
    return np.asarray(np.einsum("mks,ps,kp->mk", six, _QUINTIC, powers))


_CIE = """
360 0.0001299 3.917e-06 0.0006061 23.942
365 0.0002321 6.965e-06 0.001086 25.451
370 0.0004149 1.239e-05 0.001946 26.961
375 0.0007416 2.202e-05 0.003486 25.724
380 0.001368 3.9e-05 0.006450001 24.488
385 0.002236 6.4e-05 0.01054999 27.179
390 0.004243 0.00012 0.02005001 29.871
395 0.00765 0.000217 0.03621 39.589
400 0.01431 0.000396 0.06785001 49.308
405 0.02319 0.00064 0.1102 52.91
410 0.04351 0.00121 0.2074 56.513
415 0.07763 0.00218 0.3713 58.273
420 0.13438 0.004 0.6456 60.034
425 0.21477 0.0073 1.0390501 58.926
430 0.2839 0.0116 1.3856 57.818
435 0.3285 0.01684 1.62296 66.321
440 0.34828 0.023 1.74706 74.825
445 0.34806 0.0298 1.7826 81.036
450 0.3362 0.038 1.77211 87.247
455 0.3187 0.048 1.7441 88.93
460 0.2908 0.06 1.6692 90.612
465 0.2511 0.0739 1.5281 90.99
470 0.19536 0.09098 1.28764 91.368
475 0.1421 0.1126 1.0419 93.238
480 0.09564 0.13902 0.8129501 95.109
485 0.05795001 0.1693 0.6162 93.536
490 0.03201 0.20802 0.46518 91.963
495 0.0147 0.2586 0.3533 93.843
500 0.0049 0.323 0.272 95.724
505 0.0024 0.4073 0.2123 96.169
510 0.0093 0.503 0.1582 96.613
515 0.0291 0.6082 0.1117 96.871
520 0.06327 0.71 0.07824999 97.129
525 0.1096 0.7932 0.05725001 99.614
530 0.1655 0.862 0.04216 102.099
535 0.2257499 0.9148501 0.02984 101.427
540 0.2904 0.954 0.0203 100.755
545 0.3597 0.9803 0.0134 101.536
550 0.4334499 0.9949501 0.008749999 102.317
555 0.5120501 1 0.005749999 101.159
560 0.5945 0.995 0.0039 100
565 0.6784 0.9786 0.002749999 98.868
570 0.7621 0.952 0.0021 97.735
575 0.8425 0.9154 0.0018 98.327
580 0.9163 0.87 0.001650001 98.918
585 0.9786 0.8163 0.0014 96.208
590 1.0263 0.757 0.0011 93.499
595 1.0567 0.6949 0.001 95.593
600 1.0622 0.631 0.0008 97.688
605 1.0456 0.5668 0.0006 98.478
610 1.0026 0.503 0.00034 99.269
615 0.9384 0.4412 0.00024 99.155
620 0.8544499 0.381 0.00019 99.042
625 0.7514 0.321 0.0001 97.382
630 0.6424 0.265 4.999999e-05 95.722
635 0.5419 0.217 3e-05 97.29
640 0.4479 0.175 2e-05 98.857
645 0.3608 0.1382 1e-05 97.262
650 0.2835 0.107 -0 95.667
655 0.2187 0.0816 0 96.929
660 0.1649 0.061 0 98.19
665 0.1212 0.04458 0 100.597
670 0.0874 0.032 0 103.003
675 0.0636 0.0232 0 101.068
680 0.04677 0.017 0 99.133
685 0.0329 0.01192 0 93.257
690 0.0227 0.00821 0 87.381
695 0.01584 0.005723 0 89.492
700 0.01135916 0.004102 0 91.604
705 0.008110916 0.002929 0 92.246
710 0.005790346 0.002091 0 92.889
715 0.004109457 0.001484 0 84.872
720 0.002899327 0.001047 0 76.854
725 0.00204919 0.00074 0 81.683
730 0.001439971 0.00052 0 86.511
735 0.0009999493 0.0003611 0 89.546
740 0.0006900786 0.0002492 0 92.58
745 0.0004760213 0.0001719 0 85.405
750 0.0003323011 0.00012 0 78.23
755 0.0002348261 8.48e-05 0 67.961
760 0.0001661505 6e-05 0 57.692
765 0.000117413 4.24e-05 0 70.307
770 8.307527e-05 3e-05 0 82.923
775 5.870652e-05 2.12e-05 0 80.599
780 4.150994e-05 1.499e-05 0 78.274
"""
"""Wavelength in nm; x, y and z of the CIE 1931 2 degree observer; D50."""

CIE_TABLE = np.array(_CIE.split(), float).reshape(-1, 5)
