"""The numbers that turn a corrected blot colour into haemoglobin, and what they rest on.

A calibration is a locus: where in log colour relative to blank paper the blot
of each haemoglobin lies, how far single photos stray from it, and how the
card's own residuals (its *signature*: they tell one lamp or phone from another)
shift it. It is data: fitted elsewhere, read here, kept as JSON.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field, fields, replace
from functools import cached_property
from hashlib import sha256
from pathlib import Path
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardreader.core.jsontext import indented
from cardreader.core.pchip import pchip
from cardreader.hb.distribution import GRID_STEP_G_DL
from cardreader.hb.fading import Fading, plain
from cardreader.hb.measured import VIVIDNESS_AT, Measured
from cardreader.hb.paper import Papers
from cardreader.hb.posterior import Posterior
from cardreader.read.chain import CHAIN

Array = NDArray[np.float64]

SCHEMA = 1
MAX_JSON_BYTES = 4_000_000
_SHAPES = {
    "knots_hb_g_dl": ("k",),
    "locus": ("k", 3),
    "covariance": ("k", 3, 3),
    "signature_mean": ("s",),
    "signature_sd": ("s",),
    "signature_axis": ("k",),
    "signature_shift": ("s", 3),
    "signature_slope": ("s", 3),
}


_OPTIONAL = {
    "lots", "signature_precision", "signature_doubt", "stray_share", "stray_width",
    "max_strangeness", "max_fade", "own_share", "fading", "posterior", "signature_centre",
    "papers",
}  # fmt: skip
_Basis = Literal["simulated", "measured"]


# What a calibration holds unless its fit says otherwise.
STRAY_WIDTH = 4.0
MAX_STRANGENESS = 4.0
MAX_FADE = 0.12
OWN_SHARE = 0.0

LONGEST_CHAIN = 40
NO_CHAIN = "before 3"
"""Chain of calibrations made before they named it."""


class CalibrationError(ValueError):
    """A calibration file that can't be used; one line says why."""


@dataclass(frozen=True, eq=False)
class Calibration:
    """A fitted calibration.

    Attributes
    ----------
    id, created : str
        Name and ISO date.
    basis : "simulated" or "measured"
        Whether laboratory pairs stand behind it.
    source : str
        One sentence on what pairs it was fitted to.
    n_pairs : int
        Pairs behind the fit.
    knots_hb_g_dl : (k,) array
        Increasing haemoglobin, g/dL.
    locus : (k, 3) array
        ln(XYZ_blot / XYZ_paper), corrected to D50, at the knots; monotone
        piecewise cubic in between (Fritsch and Carlson 1980).
    covariance : (k, 3, 3) array
        Of single photos about the locus, linear in between.
    signature_mean, signature_sd : (s,) arrays
        To standardise the card's signature; s may be 0.
    signature_axis : (k,) array
        How the signature's slope term varies along the locus.
    signature_shift, signature_slope : (s, 3) arrays
        Shift of the locus per standard unit of signature: shift + axis(Hb) * slope.
    signature_clip : float
        Standard units at which a signature counts no further.
    tail : float
        Degrees of freedom of the multivariate t that describes straying photos.
    conformal_scale : float
        Factor on the width of every interval that made cross-validated coverage
        right, by the exact finite-sample rank.
    coverage : float
        The level that factor was made for.
    volume_cv : float
        Scatter of blood per area between blots of one woman; no camera sees it.
    domain_g_dl : (2,) array
        Haemoglobin range of the pairs.
    max_distance2 : float
        Squared distance from the locus, in covariance units, beyond which a colour
        is not a fresh blot's.
    lots : tuple of str
        Lot ids it may be used with; empty for every lot.
    signature_precision : (s, s) array
        Inverse covariance of the standardised signatures, or (0, 0) for none.
    signature_doubt : float
        How fast the width grows with the signature's squared distance from those
        of the fit: by 1 + doubt * distance2 / s. A card seen as none was before
        is read with less confidence.
    stray_share : float
        Share of photos expected to stray further than those of the fit: what nobody
        thought of is not in the fit, and must not be read with confidence.
    stray_width : float
        How many times as far as its scatter a stray photo is taken to stray.
    max_strangeness : float
        Squared distance of a card's signature from those of the fit, whose mean is 1,
        beyond which the card is not read.
    max_fade : float
        Share of a colour ink bleached away beyond which the ramp isn't the lot's any more.
    own_share : float
        Share of the calibration's variance that two photos of one sitting do not have in
        common; the rest is the same for all blots taken with one phone in one light.
    fading : Fading or None
        What bleaching of the card's inks does; None where nobody worked it out.
    chain : str
        Name of the measuring chain whose numbers it was fitted to.
    signature_centre : (s,) array
        Standard units about which ``signature_precision`` holds; (0,) for nothing.
    posterior : Posterior or None
        What is not known of the site, where the calibration was conditioned on its
        pairs; None where locus and signature terms are taken as known.
    papers : Papers or None
        Batches of blotting paper that its pairs had, where they were named.
    """

    id: str
    created: str
    basis: _Basis
    source: str
    n_pairs: int
    knots_hb_g_dl: Array
    locus: Array
    covariance: Array
    signature_mean: Array
    signature_sd: Array
    signature_axis: Array
    signature_shift: Array
    signature_slope: Array
    signature_clip: float
    tail: float
    conformal_scale: float
    coverage: float
    volume_cv: float
    domain_g_dl: Array
    max_distance2: float
    lots: tuple[str, ...] = ()
    signature_precision: Array = field(default_factory=lambda: np.zeros((0, 0)))
    signature_doubt: float = 0.0
    stray_share: float = 0.0
    stray_width: float = STRAY_WIDTH
    max_strangeness: float = MAX_STRANGENESS
    max_fade: float = MAX_FADE
    own_share: float = OWN_SHARE
    fading: Fading | None = None
    chain: str = CHAIN
    signature_centre: Array = field(default_factory=lambda: np.zeros(0))
    posterior: Posterior | None = None
    papers: Papers | None = None

    def __post_init__(self) -> None:
        sizes: dict[str, int] = {}
        for name, shape in _SHAPES.items():
            value = np.array(getattr(self, name), float)
            if not value.size:  # JSON has no empty table of three columns
                value = value.reshape([0 if isinstance(side, str) else side for side in shape])
            if value.ndim != len(shape):
                raise CalibrationError(f"{name} must have {len(shape)} dimensions")
            for axis, want in zip(value.shape, shape, strict=True):
                want = sizes.setdefault(want, axis) if isinstance(want, str) else want
                if axis != want:
                    raise CalibrationError(f"{name} has shape {value.shape}, not {shape}")
            if not np.isfinite(value).all():
                raise CalibrationError(f"{name} holds a value that is not a finite number")
            value.setflags(write=False)
            object.__setattr__(self, name, value)
        self._check_precision(sizes["s"])
        if self.fading is not None and self.fading.n_signature != sizes["s"]:
            raise CalibrationError(f"fading is not for signatures of {sizes['s']} numbers")
        if self.posterior is not None and self.posterior.n_signature != sizes["s"]:
            raise CalibrationError(f"posterior is not for signatures of {sizes['s']} numbers")
        if self.papers is not None and (
            self.posterior is None or len(self.papers.mean) != self.posterior.degree + 1
        ):
            raise CalibrationError("papers do not go with the posterior")
        object.__setattr__(self, "domain_g_dl", np.array(self.domain_g_dl, float))
        object.__setattr__(self, "lots", tuple(self.lots))
        self._check_values()

    def _check_precision(self, size: int) -> None:
        value = np.array(self.signature_precision, float)
        if not value.size:
            value = np.zeros((0, 0))  # none, however an empty list was nested
        if value.shape not in ((0, 0), (size, size)) or not np.isfinite(value).all():
            raise CalibrationError(f"signature_precision must be ({size}, {size}) and finite")
        value.setflags(write=False)
        object.__setattr__(self, "signature_precision", value)
        centre = np.array(self.signature_centre, float).ravel()
        if centre.size not in (0, size) or not np.isfinite(centre).all():
            raise CalibrationError(f"signature_centre must be ({size},) and finite")
        centre.setflags(write=False)
        object.__setattr__(self, "signature_centre", centre)

    def _check_values(self) -> None:
        if self.basis not in get_args(_Basis):
            raise CalibrationError(f"basis must be one of {', '.join(get_args(_Basis))}")
        if len(self.knots_hb_g_dl) < 2 or np.any(np.diff(self.knots_hb_g_dl) <= 0):
            raise CalibrationError("knots_hb_g_dl must increase and number at least 2")
        if np.any(np.linalg.eigvalsh(self.covariance) <= 0):
            raise CalibrationError("covariance must be positive definite at every knot")
        if np.any(self.signature_sd <= 0):
            raise CalibrationError("signature_sd must be positive")
        for name in (
            *("signature_clip", "tail", "conformal_scale", "max_distance2"),
            *("stray_width", "max_strangeness", "max_fade"),
        ):
            if not 0 < getattr(self, name) < 1e6:
                raise CalibrationError(f"{name} must be positive and finite")
        if not 0 <= self.signature_doubt < 1e3:
            raise CalibrationError("signature_doubt must be at least 0 and finite")
        if not 0 <= self.stray_share < 0.5:
            raise CalibrationError("stray_share must be at least 0 and below 0.5")
        if not isinstance(self.chain, str) or not 1 <= len(self.chain) <= LONGEST_CHAIN:
            raise CalibrationError(f"chain must be a name of at most {LONGEST_CHAIN} characters")
        if not 0 <= self.own_share <= 1:
            raise CalibrationError("own_share must lie between 0 and 1")
        if not 0 <= self.volume_cv < 0.5:
            raise CalibrationError("volume_cv must be at least 0 and below 0.5")
        if not 0 < self.coverage < 1:
            raise CalibrationError("coverage must lie between 0 and 1")
        low, high = self.domain_g_dl
        if not self.knots_hb_g_dl[0] <= low < high <= self.knots_hb_g_dl[-1]:
            raise CalibrationError("domain_g_dl must lie within the knots")

    @cached_property
    def grid_g_dl(self) -> Array:
        """Haemoglobin grid on which distributions are kept, by 0.05 g/dL, shape (g,)."""
        low, high = self.knots_hb_g_dl[[0, -1]]
        return np.linspace(low, high, round((high - low) / GRID_STEP_G_DL) + 1)

    @cached_property
    def grid_locus(self) -> Array:
        """Locus on the grid, shape (g, 3)."""
        return pchip(self.knots_hb_g_dl, self.locus, self.grid_g_dl)

    @cached_property
    def grid_covariance(self) -> Array:
        """Covariance on the grid, shape (g, 3, 3)."""
        flat = self.covariance.reshape(-1, 9)
        columns = [np.interp(self.grid_g_dl, self.knots_hb_g_dl, c) for c in flat.T]
        return np.stack(columns, axis=1).reshape(-1, 3, 3)

    def expected(self, signature: ArrayLike) -> Array:
        """Locus on the grid for cards with these signatures (..., s), shape (..., g, 3)."""
        shift, slope = self.signature_terms(signature)
        axis = self.axis_at(self.grid_g_dl)[:, None]
        return np.asarray(self.grid_locus + shift[..., None, :] + axis * slope[..., None, :])

    def spread(self, signature: ArrayLike) -> Array:
        """What is not known of the site, as covariance (..., g, 3, 3) of the locus on the grid."""
        z = self.standardised(signature)
        if self.posterior is None:
            return np.zeros((*z.shape[:-1], len(self.grid_g_dl), 3, 3))
        axis = self.axis_at(self.grid_g_dl)
        rows = [self.posterior.spread(axis, row) for row in z.reshape(-1, z.shape[-1])]
        return np.reshape(rows, (*z.shape[:-1], len(axis), 3, 3))

    def is_another_paper(self, batch: str) -> bool:
        """Whether a batch of blotting paper is named, and none that the pairs had."""
        return bool(batch) and self.papers is not None and batch not in self.papers.batches

    def on_paper(self, batch: str) -> Calibration:
        """The calibration for blots on a batch of paper: wider where it taught nothing."""
        return self._on_another_paper if self.is_another_paper(batch) else self

    @cached_property
    def _on_another_paper(self) -> Calibration:
        if self.papers is None or self.posterior is None:
            return self
        return self.with_weights(*self.papers.on_another(self.weights(), self.posterior))

    def covariance_at(self, hb_g_dl: ArrayLike) -> Array:
        """Scatter of photos (n, 3, 3) at haemoglobin (n,)."""
        hb = np.asarray(hb_g_dl, float)
        columns = [np.interp(hb, self.knots_hb_g_dl, c) for c in self.covariance.reshape(-1, 9).T]
        return np.stack(columns, axis=1).reshape(-1, 3, 3)

    def weights(self) -> Array:
        """Mean of the site's weights (p, 3), in the posterior's order. ValueError without one."""
        if self.posterior is None:
            raise ValueError("a calibration without a posterior has no weights")
        powers = self.signature_axis[:, None] ** np.arange(self.posterior.degree + 1)
        bends = np.linalg.lstsq(powers, self.locus, rcond=None)[0]
        return np.vstack([bends, self.signature_shift, self.signature_slope])

    def with_weights(self, weights: ArrayLike, posterior: Posterior, **others: Any) -> Calibration:
        """The calibration with other weights (p, 3), their posterior, and other fields besides."""
        given = np.asarray(weights, float)
        k = posterior.degree + 1
        bends, shift, slope = np.split(given, [k, k + posterior.n_signature])
        powers = self.signature_axis[:, None] ** np.arange(k)
        fields_ = {"locus": powers @ bends, "signature_shift": shift, "signature_slope": slope}
        return replace(self, **fields_, posterior=posterior, **others)

    def signature_terms(self, signature: ArrayLike) -> tuple[Array, Array]:
        """Shift and slope (..., 3) of the locus for signatures (..., s): shift + axis * slope."""
        z = self.standardised(signature)
        return z @ self.signature_shift, z @ self.signature_slope

    def axis_at(self, hb_g_dl: ArrayLike) -> Array:
        """How the slope term varies along the locus, at haemoglobin (...)."""
        at = np.interp(np.asarray(hb_g_dl, float), self.knots_hb_g_dl, self.signature_axis)
        return np.asarray(at)

    def doubt(self, signature: ArrayLike) -> Array:
        """Factor (...) >= 1 on the scatter's standard deviation for signatures (..., s)."""
        return 1.0 + self.signature_doubt * self._distance2(self.standardised(signature))

    def strangeness(self, signature: ArrayLike) -> Array:
        """Squared distance (...) of signatures (..., s) from those of the fit, whose mean is 1.

        0 where the calibration does not know their scatter.
        """
        seen = self._of_this_size(signature)
        return self._distance2((seen - self.signature_mean) / self.signature_sd)

    def vividness_sd(self, measured: Measured) -> float:
        """How much livelier (above 0) or duller one photo's phone is than those of the fit."""
        seen = (measured.signature - self.signature_mean) / self.signature_sd
        return float(seen[VIVIDNESS_AT])

    def _distance2(self, z: Array) -> Array:
        if not self.signature_precision.size:
            return np.zeros(z.shape[:-1])
        z = z - self.signature_centre if self.signature_centre.size else z
        squares = np.einsum("...i,ij,...j->...", z, self.signature_precision, z)
        return np.asarray(squares / z.shape[-1])

    def standardised(self, signature: ArrayLike) -> Array:
        """Signatures (..., s) in standard units, clipped."""
        z = (self._of_this_size(signature) - self.signature_mean) / self.signature_sd
        return np.clip(z, -self.signature_clip, self.signature_clip)

    def _of_this_size(self, signature: ArrayLike) -> Array:
        """The signatures, or nothing of them where the calibration asks for none."""
        return np.asarray(signature, float)[..., : len(self.signature_mean)]

    @cached_property
    def sha256(self) -> str:
        """Hash of the calibration's content, as every reading carries it."""
        return sha256(self.to_json().encode()).hexdigest()

    def must_be_of_this_chain(self) -> None:
        """CalibrationError if it was fitted to the numbers of another measuring chain."""
        if self.chain != CHAIN:
            raise CalibrationError(
                f"calibration {self.id} was fitted to measuring chain {self.chain}, this reader "
                f"is chain {CHAIN}: fit it again from its photos"
            )

    def fits(self, lot_id: str) -> bool:
        """Whether it may be used with cards of a lot."""
        return not self.lots or lot_id in self.lots

    def as_json(self) -> dict[str, Any]:
        """Plain values; `of_json` takes them back."""
        content: dict[str, Any] = {"schema": SCHEMA}
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, np.ndarray):
                value = plain(value)
            if item.name == "papers" and value is None:
                continue  # calibrations of before keep their hash
            keeps = isinstance(value, Fading | Posterior | Papers)
            content[item.name] = value.as_json() if keeps else value
        return content

    def to_json(self) -> str:
        """JSON text; `from_json` reads it back."""
        return indented(self.as_json())

    @classmethod
    def load(cls, path: Path) -> Calibration:
        """Read ``path``, a JSON file or a folder with a ``model.json``."""
        path = path / "model.json" if path.is_dir() else path
        with path.open("rb") as stream:
            data = stream.read(MAX_JSON_BYTES + 1)
        try:
            return cls.from_json(data.decode())
        except ValueError as error:
            raise CalibrationError(f"{path}: {error}") from None

    @classmethod
    def from_json(cls, text: str) -> Calibration:
        """Read a calibration; raises CalibrationError with one line on what is wrong."""
        if len(text) > MAX_JSON_BYTES:
            raise CalibrationError("calibration file is too large to be one")
        try:
            content = json.loads(text)
        except (ValueError, RecursionError) as error:
            raise CalibrationError(f"calibration is not JSON: {error}") from None
        return cls.of_json(content)

    @classmethod
    def of_json(cls, values: Any) -> Calibration:
        """Take plain values; raises CalibrationError with one line on what is wrong."""
        content = dict(values) if isinstance(values, dict) else None
        if content is None or content.pop("schema", None) != SCHEMA:
            raise CalibrationError(f"calibration is not of schema {SCHEMA}")
        names = {item.name for item in fields(cls)}
        if "chain" not in content:
            content["chain"] = NO_CHAIN
        if missing := names - content.keys() - _OPTIONAL:
            raise CalibrationError(f"calibration lacks {', '.join(sorted(missing))}")
        if unknown := content.keys() - names:
            raise CalibrationError(f"calibration has unknown {', '.join(sorted(unknown))}")
        try:
            if content.get("fading") is not None:
                content["fading"] = Fading(**content["fading"])
            if content.get("posterior") is not None:
                content["posterior"] = Posterior(**content["posterior"])
            if content.get("papers") is not None:
                content["papers"] = Papers(**content["papers"])
            return cls(**content)
        except CalibrationError:
            raise
        except (TypeError, ValueError, OverflowError) as error:
            raise CalibrationError(f"calibration is malformed: {error}") from None
