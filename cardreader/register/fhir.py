"""The register as an HL7 FHIR R4 bundle.

Patient (pseudonymous), Encounter (a visit), Observation, ServiceRequest (a referral) and
Device (a card lot). A photo or tube reading is ``preliminary``; a laboratory result is
``final``; what was set aside is ``entered-in-error``. A refused photo is an Observation
without a value, with the reason; several blots of one visit are a further one, derived
from theirs. Every bundle is checked by the fhir.resources library (R4B, which leaves
these resources as R4 has them) before it is given out.

Codes: haemoglobin LOINC 718-7; interpretation from HL7 v3 ObservationInterpretation
(L and LL as terminology.hl7.org has them; N and IND, the weeks of pregnancy LOINC
18185-9, data-absent-reason, the encounter's class and the category from memory); units
UCUM; a photo's hash as RFC 6920 names it.
"""

from __future__ import annotations

import base64
import uuid
from collections.abc import Iterable, Iterator
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from cardreader.core.refusal import ADVICE, Reason
from cardreader.decide.rule import Outcome
from cardreader.decide.statements import TEXT, Statement
from cardreader.register.base import utc_now
from cardreader.register.blots import all_blots, believed_band
from cardreader.register.dayvisits import is_shown, lead_of, result_of
from cardreader.register.identity import own_identity
from cardreader.register.kinds import Purpose, ReferralOutcome, Source
from cardreader.register.models import JoinedVisit, Reading, Referral, Visit, Woman

LOINC = "http://loinc.org"
UCUM = "http://unitsofmeasure.org"
HB_CODE = {"system": LOINC, "code": "718-7", "display": "Hemoglobin [Mass/volume] in Blood"}
WEEKS_CODE = {"system": LOINC, "code": "18185-9", "display": "Gestational age"}
CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"
INTERPRETATION = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"
ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
ACT_CODE = "http://terminology.hl7.org/CodeSystem/v3-ActCode"
URI = "urn:ietf:rfc:3986"

METHODS = {
    Source.PHOTO: "Colour of a capillary blood blot, photo beside a reference card",
    Source.TUBE: "Acid haematin, visual comparison in a graduated tube",
    Source.LAB: "Laboratory",
}
_INTERPRETED = {
    Outcome.SEVERE: ("LL", "Critical low", "Severe anaemia"),
    Outcome.ANAEMIC: ("L", "Low", "Anaemia"),
    Outcome.NOT_ANAEMIC: ("N", "Normal", "No anaemia"),
    Outcome.UNCERTAIN: ("IND", "Indeterminate", "Uncertain: confirm"),
}
Resource = dict[str, Any]


def bundle(session: Session, woman_ids: list[str] | None = None, codes: bool = True) -> str:
    """FHIR JSON of some or all women; ``codes`` False leaves the women's codes out.

    Raises ValueError when the result is not valid, which is a mistake in here.
    """
    from fhir.resources.R4B.bundle import Bundle

    return Bundle.model_validate(bundle_dict(session, woman_ids, codes)).model_dump_json(indent=1)


def bundle_dict(
    session: Session, woman_ids: list[str] | None = None, codes: bool = True
) -> dict[str, Any]:
    """The bundle as plain values, not yet checked."""
    query = (
        select(Woman)
        .order_by(Woman.added_at)
        .options(
            selectinload(Woman.readings),
            selectinload(Woman.referrals),
            selectinload(Woman.visits).selectinload(Visit.readings),
        )
    )
    if woman_ids is not None:
        query = query.where(Woman.id.in_(woman_ids))
    women = list(session.scalars(query))
    system = _system(session) if codes else None
    resources = [
        *(_patient(woman, system) for woman in women),
        *_devices(r for w in women for r in w.readings),
        *(resource for woman in women for resource in _of_woman(woman)),
    ]
    return {
        "resourceType": "Bundle",
        "type": "collection",
        "timestamp": utc_now().isoformat(timespec="seconds"),
        "entry": [{"fullUrl": f"urn:uuid:{r['id']}", "resource": r} for r in resources],
    }


def _of_woman(woman: Woman) -> Iterator[Resource]:
    visits = [visit for visit in woman.visits if is_shown(visit)]
    for visit in visits:
        yield _encounter(visit)
        weeks = woman.gestation_at(visit.on)
        if weeks is not None:
            yield _weeks(visit, weeks)
    for reading in woman.readings:
        if reading.hb_g_dl is not None or reading.refusal is not None:
            yield _observation(reading)
    for visit in visits:
        blots, result = all_blots(visit), result_of(visit)
        if len(blots) > 1 and result.hb_g_dl is not None:
            yield _combined(visit, result, blots)
    for referral in woman.referrals:
        yield _service_request(referral)


def _system(session: Session) -> str | None:
    """What the women's codes are numbers of: this register, by its own identity."""
    identity = own_identity(session)
    return None if identity is None else f"urn:uuid:{uuid.UUID(hex=identity)}"


def _patient(woman: Woman, system: str | None) -> Resource:
    identifiers = [{"system": URI, "value": f"urn:uuid:{woman.id}"}]
    if system is not None:
        identifiers.append({"use": "secondary", "system": system, "value": woman.code})
    return {
        "resourceType": "Patient",
        "id": woman.id,
        "identifier": identifiers,
        # Every woman here is in antenatal care.
        "gender": "female",
    }


def _devices(readings: Iterable[Reading]) -> list[Resource]:
    """One device a card lot, with the lot's own facts; the program is a part of each reading."""
    expires: dict[str, str | None] = {}
    for reading in readings:
        if reading.lot_id:
            card = (reading.detail or {}).get("card") or {}
            expires[reading.lot_id] = card.get("expires") or expires.get(reading.lot_id)
    return [_device(lot, expires[lot]) for lot in sorted(expires)]


def _device(lot_id: str, expires: str | None) -> Resource:
    device = {
        "resourceType": "Device",
        "id": _device_id(lot_id),
        "lotNumber": lot_id,
        "deviceName": [{"name": "cardreader reference card", "type": "user-friendly-name"}],
        "version": [{"type": {"text": "printed lot"}, "value": lot_id}],
    }
    return device if expires is None else {**device, "expirationDate": expires}


def _device_id(lot_id: str) -> str:
    return _derived_id("lot", lot_id)


def _derived_id(kind: str, of: str) -> str:
    return str(uuid.uuid5(uuid.NAMESPACE_URL, f"cardreader:{kind}:{of}"))


def _encounter(visit: Visit) -> Resource:
    return {
        "resourceType": "Encounter",
        "id": visit.id,
        "status": "finished",
        "class": {"system": ACT_CODE, "code": "AMB", "display": "ambulatory"},
        "type": [{"text": f"Antenatal visit {visit.number}"}],
        "subject": _to(visit.woman_id),
        "period": {"start": visit.on.isoformat(), "end": visit.on.isoformat()},
    }


def _weeks(visit: Visit, weeks: int) -> Resource:
    return {
        "resourceType": "Observation",
        "id": _derived_id("weeks", visit.id),
        "status": "final",
        "code": {"coding": [WEEKS_CODE], "text": "Weeks of pregnancy, as told"},
        "subject": _to(visit.woman_id),
        "encounter": _to(visit.id),
        "effectiveDateTime": visit.on.isoformat(),
        "valueQuantity": {"value": weeks, "unit": "weeks", "system": UCUM, "code": "wk"},
    }


def _observation(reading: Reading) -> Resource:
    source = Source(reading.source)
    out: Resource = {
        **_hb_base(reading.id, reading.woman_id, source),
        "status": _status(reading, source),
        "effectiveDateTime": reading.taken_at.isoformat(timespec="seconds"),
        "issued": reading.entered_at.isoformat(timespec="seconds"),
        "method": {"text": reading.method or METHODS[source]},
    }
    if reading.visit is not None:
        out["encounter"] = _to(lead_of(reading.visit).id)
    if reading.photo_sha256:
        out["identifier"] = [{"system": URI, "value": _named_hash(reading.photo_sha256)}]
    if reading.lot_id:
        out["device"] = _to(_device_id(reading.lot_id))
    if reading.hb_g_dl is None:
        return {**out, "dataAbsentReason": _absent(reading.refusal or "")}
    return {
        **out,
        **_value(reading.hb_g_dl, Outcome(believed_band(reading) or ""), source),
        "component": [
            *_interval(reading.low_g_dl, reading.high_g_dl),
            *_provenance(reading.detail or {}),
        ],
    }


def _combined(visit: Visit, result: Visit | JoinedVisit, blots: list[Reading]) -> Resource:
    """The result of a visit's blots taken together."""
    assert result.hb_g_dl is not None
    return {
        **_hb_base(_derived_id("combined", visit.id), visit.woman_id, Source.PHOTO),
        "status": "preliminary",
        "encounter": _to(visit.id),
        "effectiveDateTime": max(r.taken_at for r in blots).isoformat(timespec="seconds"),
        "issued": max(r.entered_at for r in blots).isoformat(timespec="seconds"),
        "method": {"text": f"{METHODS[Source.PHOTO]}; {len(blots)} blots taken together"},
        "derivedFrom": [_to(reading.id) for reading in blots],
        **_value(result.hb_g_dl, Outcome(result.band or ""), Source.PHOTO),
        "component": [
            *_interval(result.low_g_dl, result.high_g_dl),
            *_provenance(result.result or {}),
        ],
    }


def _hb_base(id_: str, woman_id: str, source: Source) -> Resource:
    base: Resource = {
        "resourceType": "Observation",
        "id": id_,
        "category": [{"coding": [{"system": CATEGORY, "code": "laboratory"}]}],
        "code": {"coding": [HB_CODE]},
        "subject": _to(woman_id),
    }
    if source is not Source.LAB:
        words = (Statement.SCREENING_ONLY, Statement.CONFIRM_AT_FACILITY, Statement.LOCAL_PROTOCOL)
        base["note"] = [{"text": TEXT[word]} for word in words]
    return base


def _value(hb_g_dl: float, outcome: Outcome, source: Source) -> Resource:
    code, display, words = _INTERPRETED[outcome]
    text = words if source is Source.LAB else f"{words} (screening)"
    coding = {"system": INTERPRETATION, "code": code, "display": display}
    return {
        "valueQuantity": _quantity(hb_g_dl),
        "interpretation": [{"coding": [coding], "text": text}],
    }


def _absent(refusal: str) -> Resource:
    """Why there is no value: the reason for machines and the advice for people."""
    known = refusal in set(Reason)
    words = f"{refusal}: {ADVICE[Reason(refusal)]}" if known else refusal or "not read"
    return {"coding": [{"system": ABSENT, "code": "error", "display": "Error"}], "text": words}


def _interval(low_g_dl: float | None, high_g_dl: float | None) -> list[Resource]:
    if low_g_dl is None or high_g_dl is None:
        return []
    limits = {"low": _quantity(low_g_dl), "high": _quantity(high_g_dl)}
    return [{"code": {"text": "90 % interval of the haemoglobin value"}, "valueRange": limits}]


def _provenance(detail: Resource) -> list[Resource]:
    """By which calibration, protocol and version it was read, as the reading's JSON names them."""
    software = detail.get("software") or {}
    named = (
        ("Calibration", _named(detail.get("calibration"))),
        ("Protocol", _named(detail.get("protocol"))),
        ("Program", " ".join(software[k] for k in ("name", "version") if software.get(k))),
    )
    return [{"code": {"text": what}, "valueString": words} for what, words in named if words]


def _named(part: Resource | None) -> str:
    if not part or not part.get("id"):
        return ""
    return f"{part['id']} sha256:{part['sha256']}" if part.get("sha256") else str(part["id"])


def _named_hash(sha256: str) -> str:
    """The hash of the file as it was sent, as RFC 6920 writes it."""
    digest = base64.urlsafe_b64encode(bytes.fromhex(sha256)).rstrip(b"=")
    return f"ni:///sha-256;{digest.decode()}"


def _service_request(referral: Referral) -> Resource:
    """What a referral asks for, by its purpose; done with when its answer is there."""
    care = referral.purpose == Purpose.CARE
    text = (
        "Specialist care at a referral unit; local protocol decides"
        if care
        else "Confirmatory haemoglobin test at a health facility; local protocol decides"
    )
    out: Resource = {
        "resourceType": "ServiceRequest",
        "id": referral.id,
        "status": _request_status(referral),
        "intent": "order",
        "priority": "urgent" if referral.urgent else "routine",
        "code": {"text": text} if care else {"coding": [HB_CODE], "text": text},
        "subject": _to(referral.woman_id),
        "authoredOn": referral.opened_at.isoformat(timespec="seconds"),
    }
    if referral.opening_reading_id is not None:
        out["reasonReference"] = [_to(referral.opening_reading_id)]
    notes = []
    if referral.closing_reading_id is not None:
        notes.append(f"answered by Observation urn:uuid:{referral.closing_reading_id}")
    if referral.outcome is not None:
        notes.append(f"outcome: {referral.outcome}")
    return {**out, "note": [{"text": note} for note in notes]} if notes else out


def _request_status(referral: Referral) -> str:
    """Completed only by an answer: a referral given up, or overtaken, was not carried out."""
    if referral.closed_at is None:
        return "active"
    if referral.outcome == ReferralOutcome.MISTAKE:
        return "entered-in-error"
    answered = (ReferralOutcome.RESULT, ReferralOutcome.WENT)
    return "completed" if referral.outcome in answered else "revoked"


def _status(reading: Reading, source: Source) -> str:
    if reading.set_aside_at is not None:
        return "entered-in-error"
    return "final" if source is Source.LAB else "preliminary"


def _to(id_: str) -> Resource:
    return {"reference": f"urn:uuid:{id_}"}


def _quantity(value: float) -> Resource:
    return {"value": round(value, 2), "unit": "g/dL", "system": UCUM, "code": "g/dL"}
