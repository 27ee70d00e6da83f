"""The order of the stages, in one place: photo bytes to Reading.

photo -> locate -> banding -> sample -> correct -> blot -> estimate -> decide. Each stage
sees only what came before; the first refusal ends the chain and becomes the
reading's reason. Command line, web and batch call nothing else.

Measuring (up to the blot's colour) and judging (estimate and decide) are apart,
so that photos are judged again without being opened when a calibration changes.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace

from cardreader import __version__
from cardreader.card.lot import Lot
from cardreader.card.lots import Lots
from cardreader.core.refusal import Reason, Refusal
from cardreader.decide.rule import MAY_HIDE_SEVERE, decide, with_pale_blot
from cardreader.decide.subject import Subject
from cardreader.hb.calibration import Calibration
from cardreader.hb.combine import combine
from cardreader.hb.estimate import HbEstimate, read_hb
from cardreader.read.banding import find_banding
from cardreader.read.blot import measure_blot
from cardreader.read.correct import correct
from cardreader.read.locate import locate
from cardreader.read.photo import open_photo
from cardreader.read.sameblot import View, measure_same_blot
from cardreader.read.sample import sample
from cardreader.read.whitecard import why_no_blot, why_no_colours
from cardreader.reader import Reader
from cardreader.result.reading import (
    CombinedReading,
    Findings,
    Judgement,
    Measurement,
    Reading,
    SameBlotReading,
)


def read_photo(data: bytes, reader: Reader, subject: Subject | None = None) -> Reading:
    """Read one photo, given as the bytes of its file."""
    return reading_of(measure_photo(data, reader.lots), reader, subject or Subject())


def reading_of(measured: Measurement, reader: Reader, subject: Subject) -> Reading:
    """Judge a measured photo and bring everything known about it together."""
    findings = measured.findings
    judged = judge(findings, reader, subject)
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
        paper=reader.paper,
        another_paper=reader.calibration.is_another_paper(reader.paper),
        paper_taken=reader.calibration.paper_taken(reader.paper),
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
        measured=findings.measured,
    )


def combine_readings(
    readings: Sequence[Reading], reader: Reader, subject: Subject
) -> CombinedReading:
    """Take the readings of one woman together, each of a blot of its own.

    Scatter of blood volume from blot to blot averages out, so three blots say more
    than one. Photos of the *same* blot don't: the caller must not pass them off as more
    than one blot. The very same file counts once. ValueError for no readings.
    """
    if not readings:
        raise ValueError("no reading to take together")
    once = tuple({reading.sha256: reading for reading in readings}.values())
    singles = [reading.estimate for reading in once if reading.estimate is not None]
    if not singles:
        return CombinedReading(once, None, once[0].decision)
    estimate = combine(singles, reader.calibration)
    decision = decide(estimate, reader.protocol, subject)
    if any(r.refusal is not None and r.refusal.reason in MAY_HIDE_SEVERE for r in once):
        decision = with_pale_blot(decision)
    return CombinedReading(once, estimate, decision)


def read_same_blot(
    contents: Sequence[bytes], reader: Reader, subject: Subject | None = None
) -> SameBlotReading:
    """Read photos of *one* blot, taken from different sides, as one reading.

    Each place of the blot is read where it is darkest, so that a reflection that moved
    does no harm, see `sameblot`. ValueError for fewer than two different files.
    """
    once = list(dict.fromkeys(contents))
    if len(once) < 2:
        raise ValueError("one blot needs two different photos or more")
    measured, together = measure_together(once, reader.lots)
    asked = subject or Subject()
    readings = tuple(reading_of(m, reader, asked) for m in measured)
    return SameBlotReading(readings, reading_of(together, reader, asked))


def measure_together(
    contents: Sequence[bytes], lots: Lots
) -> tuple[list[Measurement], Measurement]:
    """Measure photos of *one* blot: each for itself, and the blot as all of them show it."""
    measured = [measure_photo(data, lots) for data in contents]
    return measured, _as_one(measured)


def _as_one(measured: Sequence[Measurement]) -> Measurement:
    """The first photo's measurement with the blot as all of them show it."""
    first = measured[0]
    views = []
    for m in measured:
        if m.photo is None or m.pose is None or m.banding is None or m.correction is None:
            return m  # one photo fell before its blot: its refusal says what to do
        views.append(View(m.photo, m.pose, m.banding, m.correction))
    if first.lot is None or any(m.lot is not first.lot for m in measured):
        several = Refusal(Reason.TWO_CARDS, "blot", "the photos show cards of different lots")
        return replace(first, blot=None, refusal=several)
    blot = measure_same_blot(views, first.lot)
    if isinstance(blot, Refusal):
        # The same of one photo alone was told by its card already.
        of_one = (m.refusal for m in measured if m.refusal is not None)
        told = next((r for r in of_one if r.detail == blot.detail), blot)
        return replace(first, blot=None, refusal=told)
    return replace(first, blot=blot, refusal=None)


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
        told = why_no_colours(correction, photo, pose, samples, lot)
        return replace(measured, refusal=_as_known(told, lot))
    measured = replace(measured, correction=correction)
    blot = measure_blot(photo, pose, correction, lot, banding)
    if isinstance(blot, Refusal):
        return replace(measured, refusal=why_no_blot(blot, photo, pose, samples, lot))
    return replace(measured, blot=blot)


def judge(findings: Findings, reader: Reader, subject: Subject) -> Judgement:
    """Estimate and decide. A photo judged again from kept findings comes to the same.

    A card that doesn't count is said before anything that its photo lacks; that no
    blood stands behind the calibration is said after, since a good photo can be judged
    once there is some.
    """
    outcome: Refusal | HbEstimate | None = _card_refusal(findings.lot_number, reader)
    if outcome is None:
        outcome = findings.refusal
    if outcome is None:
        outcome = _not_calibrated(findings, reader)
    if outcome is None:
        if findings.lot_number is None or findings.measured is None:
            raise ValueError("findings without a refusal must have their numbers")
        lot = reader.lots[findings.lot_number]
        calibration = reader.calibration.on_paper(findings.paper or reader.paper)
        outcome = read_hb(findings.measured, calibration, lot.print_sd)
        if isinstance(outcome, Refusal):
            outcome = _as_known(outcome, lot)
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
    return None


def _not_calibrated(findings: Findings, reader: Reader) -> Refusal | None:
    """No value without pairs for cards of this lot on this paper: a simulation is none."""
    calibration, number = reader.calibration, findings.lot_number
    if number is None:
        return None
    batch = findings.paper or reader.paper
    if calibration.is_another_paper(batch):
        # Where the locus lies there no pair told, and a prior of simulated papers is no pair.
        return Refusal(
            Reason.NOT_CALIBRATED,
            "calibration",
            f"no laboratory values stand behind calibration {calibration.id} for blotting "
            f"paper {batch}",
        )
    lot = reader.lots[number]
    lot_id = lot.lot_id
    if not _measured_as_taught(findings, calibration, lot) and (unlike := calibration.unlike(lot)):
        return Refusal(
            Reason.LOT_CHANGED,
            "calibration",
            f"calibration {calibration.id} was fitted with other colours of lot {lot_id}: {unlike}",
        )
    if calibration.gives_values_for(lot_id):
        return None
    if calibration.basis == "measured":
        # Kept as well: pairs with the new lot are what its calibration is made of.
        return Refusal(
            Reason.CALIBRATION_UNFIT,
            "calibration",
            f"calibration {calibration.id} is not for lot {lot_id}",
        )
    return Refusal(
        Reason.NOT_CALIBRATED,
        "calibration",
        f"no laboratory values stand behind calibration {calibration.id} for lot {lot_id}",
    )


def _measured_as_taught(findings: Findings, calibration: Calibration, lot: Lot) -> bool:
    """Whether kept numbers come from the very colours that the pairs were read beside, whatever
    the lot's file says now."""
    taught = calibration.colours_of(lot.lot_id)
    return taught is not None and findings.lot_colours == taught.fingerprint


def _as_known(refusal: Refusal, lot: Lot) -> Refusal:
    """A refusal of colours that are not the lot's, said of what is known of the lot.

    Where nobody measured the print, the print itself is the likeliest to be off: whoever is
    told to look for dirt and filters looks in vain.
    """
    if refusal.reason is not Reason.COLOUR_NOT_CORRECTABLE or lot.basis != "nominal":
        return refusal
    return replace(refusal, reason=Reason.LOT_NOT_MEASURED)


def _unknown(number: int) -> Refusal:
    return Refusal(Reason.LOT_UNKNOWN, "card", f"lot {number:06d} is not among the known")
