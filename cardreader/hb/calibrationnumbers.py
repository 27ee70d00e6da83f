"""The numbers of a calibration: what each is, that they fit together, and their file.

A calibration is data: fitted elsewhere, read here, kept as JSON. What its numbers come
to for a card and a haemoglobin is `cardreader.hb.calibration`'s.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field, fields
from functools import cached_property
from hashlib import sha256
from pathlib import Path
from typing import Any, Literal, Self, get_args

import numpy as np
from numpy.typing import NDArray

from cardreader.core.jsontext import indented
from cardreader.hb.fading import Fading
from cardreader.hb.filenumbers import plain
from cardreader.hb.lotcolours import LotColours
from cardreader.hb.measured import N_SIGNATURE
from cardreader.hb.paper import Papers
from cardreader.hb.posterior import Posterior
from cardreader.hb.seencards import SeenCards
from cardreader.hb.seenpapers import SeenPapers
from cardreader.hb.sittings import Sittings
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
    "papers", "lots_by_design", "taught_g_dl", "lot_colours", "seen_cards", "seen_papers",
    "sittings", "vividness_clip",
}  # fmt: skip
_LEFT_OUT_WHEN_EMPTY = {
    *("papers", "lots_by_design", "taught_g_dl", "lot_colours", "seen_cards", "seen_papers"),
    "sittings",
}
"""So that calibrations of before keep their hash."""
_PARTS: dict[str, type[Any]] = {
    "fading": Fading,
    "posterior": Posterior,
    "papers": Papers,
    "seen_cards": SeenCards,
    "seen_papers": SeenPapers,
    "sittings": Sittings,
}
"""Fields that are objects of their own, which know their plain values."""
_Basis = Literal["simulated", "measured"]


# What a calibration holds unless its fit says otherwise.
STRAY_WIDTH = 4.0
MAX_STRANGENESS = 4.0
USUAL_STRANGENESS, STRANGE = 1.5, 3.0
"""Squared distance of a signature, whose mean is 1, from which a card is read with less
confidence, and beyond which with no less: on simulated sittings errors rise between the two
and are the same from there to 12."""
MAX_FADE = 0.12
VIVIDNESS_CLIP = 1.0
"""Standard units at which a phone's vividness counts no further: beyond, more of it tells no more
of what the inverse left. Of no limit, 3, 2, 1.5, 1, 0.5 and 0 the best on simulated sittings of
other renderings than those of the fit (seeds 9101 and 9202)."""

LONGEST_CHAIN = 40
NO_CHAIN = "before 3"
"""Chain of calibrations made before they named it."""


class CalibrationError(ValueError):
    """A calibration file that can't be used; one line says why."""


@dataclass(frozen=True, eq=False)
class CalibrationNumbers:
    """The numbers of a fitted calibration; CalibrationError when they don't fit together.

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
        By what share the interval is wider for a card as strange as `STRANGE`, or
        stranger: one seen as none was before is read with less confidence.
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
        Not asked any more; kept, so that calibrations of before keep their hash.
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
    lots_by_design : tuple of str
        Those of ``lots`` whose print nobody had measured when the pairs were read: it learnt
        them beside the colours of the design.
    taught_g_dl : (2,) array
        Lowest and highest laboratory value among its pairs: beyond them it is less sure; (0,)
        where that wasn't kept.
    lot_colours : tuple of LotColours
        Those of ``lots`` as its pairs were read beside; those of before don't say.
    seen_cards : SeenCards or None
        Which its pairs were read beside: under other lamps and phones it is less sure. None
        where that isn't known.
    seen_papers : SeenPapers or None
        What colour the blotting papers of its pairs have: on paper of another it gives no value.
        None where that isn't known.
    sittings : Sittings or None
        How photos of one sitting are told from those of two; None where nobody worked it out,
        and all are taken to be of one.
    vividness_clip : float
        Standard units at which the phone's vividness counts no further.
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
    own_share: float = 0.0
    fading: Fading | None = None
    chain: str = CHAIN
    signature_centre: Array = field(default_factory=lambda: np.zeros(0))
    posterior: Posterior | None = None
    papers: Papers | None = None
    lots_by_design: tuple[str, ...] = ()
    taught_g_dl: Array = field(default_factory=lambda: np.zeros(0))
    lot_colours: tuple[LotColours, ...] = ()
    seen_cards: SeenCards | None = None
    seen_papers: SeenPapers | None = None
    sittings: Sittings | None = None
    vividness_clip: float = VIVIDNESS_CLIP

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
        if self.seen_cards is not None and (
            self.seen_cards.n_signature != sizes["s"] or not self.signature_precision.size
        ):
            raise CalibrationError("seen_cards do not go with the signatures")
        if self.sittings is not None and self.sittings.n_signature != sizes["s"]:
            raise CalibrationError("sittings do not go with the signatures")
        self._check_papers(sizes["s"])
        object.__setattr__(self, "domain_g_dl", np.array(self.domain_g_dl, float))
        object.__setattr__(self, "lots", tuple(self.lots))
        object.__setattr__(self, "lots_by_design", tuple(self.lots_by_design))
        object.__setattr__(self, "lot_colours", tuple(self.lot_colours))
        self._check_taught()
        self._check_values()

    def _check_papers(self, size: int) -> None:
        if self.seen_papers is None:
            return
        batches = 1 if self.papers is None else len(self.papers.batches)
        if size != N_SIGNATURE or len(self.seen_papers.colours) != batches:
            raise CalibrationError("seen_papers do not go with the papers and signatures")

    def _check_taught(self) -> None:
        value = np.array(self.taught_g_dl, float).ravel()
        ordered = value.size == 2 and 0 <= value[0] <= value[1] < 100
        if value.size and not ordered:
            raise CalibrationError("taught_g_dl must be two values that rise")
        value.setflags(write=False)
        object.__setattr__(self, "taught_g_dl", value)

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
            *("stray_width", "max_strangeness", "max_fade", "vividness_clip"),
        ):
            if not 0 < getattr(self, name) < 1e6:
                raise CalibrationError(f"{name} must be positive and finite")
        if not 0 <= self.signature_doubt < 1e2:
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
    def sha256(self) -> str:
        """Hash of the calibration's content, as every reading carries it."""
        return sha256(self.to_json().encode()).hexdigest()

    def as_json(self) -> dict[str, Any]:
        """Plain values; `of_json` takes them back."""
        content: dict[str, Any] = {"schema": SCHEMA}
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, np.ndarray):
                value = plain(value)
            if item.name in _LEFT_OUT_WHEN_EMPTY and not value:
                continue
            if item.name == "lot_colours":
                value = [one.as_json() for one in value]
            is_part = item.name in _PARTS and value is not None
            content[item.name] = value.as_json() if is_part else value
        return content

    def to_json(self) -> str:
        """JSON text; `from_json` reads it back."""
        return indented(self.as_json())

    @classmethod
    def load(cls, path: Path) -> Self:
        """Read ``path``, a JSON file or a folder with a ``model.json``."""
        path = path / "model.json" if path.is_dir() else path
        with path.open("rb") as stream:
            data = stream.read(MAX_JSON_BYTES + 1)
        try:
            return cls.from_json(data.decode())
        except ValueError as error:
            raise CalibrationError(f"{path}: {error}") from None

    @classmethod
    def from_json(cls, text: str) -> Self:
        """Read a calibration; raises CalibrationError with one line on what is wrong."""
        if len(text) > MAX_JSON_BYTES:
            raise CalibrationError("calibration file is too large to be one")
        try:
            content = json.loads(text)
        except (ValueError, RecursionError) as error:
            raise CalibrationError(f"calibration is not JSON: {error}") from None
        return cls.of_json(content)

    @classmethod
    def of_json(cls, values: Any) -> Self:
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
            for name, part in _PARTS.items():
                if content.get(name) is not None:
                    content[name] = part(**content[name])
            colours = content.get("lot_colours") or ()
            content["lot_colours"] = tuple(LotColours(**one) for one in colours)
            return cls(**content)
        except CalibrationError:
            raise
        except (TypeError, ValueError, OverflowError) as error:
            raise CalibrationError(f"calibration is malformed: {error}") from None
