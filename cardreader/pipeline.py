"""The order of the stages, in one place: photo bytes to Reading.

photo -> locate -> banding -> sample -> correct -> blot -> estimate -> decide. Each stage
sees only what came before; the first refusal ends the chain and becomes the
reading's reason. Command line, web and batch call nothing else.

Measuring (up to the blot's colour) and judging (estimate and decide) are apart,
so that photos are judged again without being opened when a calibration changes.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cardreader import __version__
from cardreader.card.lot import Lot
from cardreader.card.lots import Lots
from cardreader.core.refusal import Reason, Refusal
from cardreader.decide.rule import Decision, decide
from cardreader.decide.subject import Subject
from cardreader.hb.estimate import HbEstimate, estimate_colour, signature
from cardreader.read.banding import Banding, find_banding
from cardreader.read.blot import BlotColour, measure_blot
from cardreader.read.correct import ColourCorrection, correct
from cardreader.read.locate import CardPose, locate
from cardreader.read.photo import Photo, open_photo
from cardreader.read.sample import PatchSamples, sample
from cardreader.reader import Reader


@dataclass(frozen=True, kw_only=True)
class _Stages:
    """What each stage up to the blot's colour left; those not reached are None."""

    photo: Photo | None = None
    pose: CardPose | None = None
    lot: Lot | None = None
    banding: Banding | None = None
    samples: PatchSamples | None = None
    correction: ColourCorrection | None = None
    blot: BlotColour | None = None


@dataclass(frozen=True)
class Reading(_Stages):
    """Everything known about one photo; stages not reached are None.

    ``refusal`` is None exactly when ``estimate`` is not; ``decision`` is always
    there, and is never a normal result for a photo that was refused.
    """

    sha256: str
    version: str
    calibration_id: str
    calibration_basis: str
    calibration_sha256: str
    protocol_id: str
    protocol_sha256: str
    subject: Subject
    decision: Decision
    refusal: Refusal | None = None
    estimate: HbEstimate | None = None

    @property
    def lot_id(self) -> str | None:
        """Lot number read from the card, known or not; None when no card was found."""
        return f"{self.pose.lot_number:06d}" if self.pose else None


@dataclass(frozen=True, eq=False)
class Findings:
    """The few numbers of a photo that judging needs: small enough to keep for years.

    Attributes
    ----------
    lot_number : int or None
        As read from the card; None when no card was found.
    refusal : Refusal or None
        Why measuring stopped; None exactly when the numbers are there.
    log_ratio, covariance, signature : (3,), (3, 3), (s,) arrays or None
        As `estimate.estimate_from` takes them.
    """

    lot_number: int | None
    refusal: Refusal | None
    log_ratio: NDArray[np.float64] | None = None
    covariance: NDArray[np.float64] | None = None
    signature: NDArray[np.float64] | None = None


@dataclass(frozen=True, eq=False)
class Measurement(_Stages):
    """What the picture says under the card's lot alone, whatever calibration comes after.

    Stages not reached are None; ``refusal`` says why.
    """

    sha256: str
    refusal: Refusal | None = None

    @property
    def findings(self) -> Findings:
        """The part that judging needs."""
        number = self.pose.lot_number if self.pose else None
        if self.blot is None or self.correction is None:
            return Findings(number, self.refusal)
        return Findings(
            number, None, self.blot.log_ratio, self.blot.covariance, signature(self.correction)
        )


@dataclass(frozen=True, eq=False)
class Judgement:
    """What findings come to under a calibration, a protocol and a day."""

    decision: Decision
    refusal: Refusal | None = None
    estimate: HbEstimate | None = None


def read_photo(data: bytes, reader: Reader, subject: Subject | None = None) -> Reading:
    """Read one photo, given as the bytes of its file."""
    return reading_of(measure_photo(data, reader.lots), reader, subject or Subject())


def reading_of(measured: Measurement, reader: Reader, subject: Subject) -> Reading:
    """Judge a measured photo and bring everything known about it together."""
    judged = judge(measured.findings, reader, subject)
    reading = Reading(
        sha256=measured.sha256,
        version=__version__,
        calibration_id=reader.calibration.id,
        calibration_basis=reader.calibration.basis,
        calibration_sha256=reader.calibration.sha256,
        protocol_id=reader.protocol.id,
        protocol_sha256=reader.protocol.sha256,
        subject=subject,
        decision=judged.decision,
        refusal=judged.refusal,
        photo=measured.photo,
        pose=measured.pose,
        estimate=judged.estimate,
    )
    if judged.refusal is not None and judged.refusal.stage == "card":
        return reading  # the card itself doesn't count, so its colours must not either
    return replace(
        reading,
        lot=measured.lot,
        banding=measured.banding,
        samples=measured.samples,
        correction=measured.correction,
        blot=measured.blot,
    )


def measure_photo(data: bytes, lots: Lots, sha256: str | None = None) -> Measurement:
    """Everything up to the blot's colour; needs the card lots, but no calibration.

    ``sha256`` is that of the bytes, where the caller has it already.
    """
    measured = Measurement(sha256 or hashlib.sha256(data).hexdigest())
    photo = open_photo(data, measured.sha256)
    if isinstance(photo, Refusal):
        return replace(measured, refusal=photo)
    measured = replace(measured, photo=photo)
    pose = locate(photo)
    if isinstance(pose, Refusal):
        return replace(measured, refusal=pose)
    measured = replace(measured, pose=pose)
    lot = lots.get(pose.lot_number)
    if lot is None:
        return replace(measured, refusal=_unknown(pose.lot_number))
    measured = replace(measured, lot=lot)
    banding = find_banding(photo, pose)
    measured = replace(measured, banding=banding)
    samples = sample(photo, pose)
    if isinstance(samples, Refusal):
        return replace(measured, refusal=samples)
    measured = replace(measured, samples=samples)
    correction = correct(samples, lot, banding)
    if isinstance(correction, Refusal):
        return replace(measured, refusal=correction)
    measured = replace(measured, correction=correction)
    blot = measure_blot(photo, pose, correction, lot, banding)
    if isinstance(blot, Refusal):
        return replace(measured, refusal=blot)
    return replace(measured, blot=blot)


def judge(findings: Findings, reader: Reader, subject: Subject) -> Judgement:
    """Estimate and decide. A photo judged again from kept findings comes to the same.

    A card that doesn't count is said before anything that its photo lacks.
    """
    outcome: Refusal | HbEstimate | None = _card_refusal(findings.lot_number, reader)
    if outcome is None:
        outcome = findings.refusal
    if outcome is None:
        if (
            findings.lot_number is None
            or findings.log_ratio is None
            or findings.covariance is None
            or findings.signature is None
        ):
            raise ValueError("findings without a refusal must have their numbers")
        outcome = estimate_colour(
            findings.log_ratio,
            findings.covariance,
            findings.signature,
            reader.calibration,
            reader.lots[findings.lot_number].print_sd,
        )
    decision = decide(outcome, reader.protocol, subject)
    if isinstance(outcome, Refusal):
        return Judgement(decision, refusal=outcome)
    return Judgement(decision, estimate=outcome)


def _card_refusal(number: int | None, reader: Reader) -> Refusal | None:
    if number is None:
        return None
    lot = reader.lots.get(number)
    if lot is None:
        return _unknown(number)
    if lot.is_expired(reader.today):
        return Refusal(Reason.LOT_EXPIRED, "card", f"lot {lot.lot_id} expired on {lot.expires}")
    if not reader.calibration.fits(lot.lot_id):
        return Refusal(
            Reason.CALIBRATION_UNFIT,
            "card",
            f"calibration {reader.calibration.id} is not for lot {lot.lot_id}",
        )
    return None


def _unknown(number: int) -> Refusal:
    return Refusal(Reason.LOT_UNKNOWN, "card", f"lot {number:06d} is not among the known")
