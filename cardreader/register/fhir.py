"""The register as an HL7 FHIR R4 bundle.

Patient (pseudonymous), Observation (LOINC 718-7, UCUM g/dL) and Device. A photo
or tube reading is ``preliminary``; a laboratory result is ``final``; what was set
aside is ``entered-in-error``. Every bundle is checked by the fhir.resources
library (R4B, which leaves these resources as R4 has them) before it is given out.
"""

from __future__ import annotations

import uuid
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

import cardreader
from cardreader.decide.rule import Outcome
from cardreader.decide.statements import TEXT, Statement
from cardreader.register.models import Reading, Source, Woman, utc_now

LOINC = "http://loinc.org"
UCUM = "http://unitsofmeasure.org"
HB_CODE = {"system": LOINC, "code": "718-7", "display": "Hemoglobin [Mass/volume] in Blood"}
CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"

METHODS = {
    Source.PHOTO: "Colour of a capillary blood blot, photo beside a reference card",
    Source.TUBE: "Acid haematin, visual comparison in a graduated tube",
    Source.LAB: "Laboratory",
}


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
    query = select(Woman).order_by(Woman.added_at).options(selectinload(Woman.readings))
    if woman_ids is not None:
        query = query.where(Woman.id.in_(woman_ids))
    women = list(session.scalars(query))
    readings = [r for w in women for r in w.readings if r.hb_g_dl is not None]
    lots = sorted({r.lot_id for r in readings if r.lot_id})
    resources = [
        *(_patient(woman, codes) for woman in women),
        *(_device(lot) for lot in lots),
        *(_observation(reading) for reading in readings),
    ]
    return {
        "resourceType": "Bundle",
        "type": "collection",
        "timestamp": utc_now().isoformat(timespec="seconds"),
        "entry": [{"fullUrl": f"urn:uuid:{r['id']}", "resource": r} for r in resources],
    }


def _patient(woman: Woman, codes: bool) -> dict[str, Any]:
    identifiers = [{"system": "urn:ietf:rfc:3986", "value": f"urn:uuid:{woman.id}"}]
    if codes:
        identifiers.append({"use": "secondary", "value": woman.code})
    return {
        "resourceType": "Patient",
        "id": woman.id,
        "identifier": identifiers,
        # Every woman here is in antenatal care.
        "gender": "female",
    }


def _device(lot_id: str) -> dict[str, Any]:
    return {
        "resourceType": "Device",
        "id": _device_id(lot_id),
        "lotNumber": lot_id,
        "deviceName": [{"name": "cardreader reference card", "type": "user-friendly-name"}],
        "version": [{"value": cardreader.__version__}],
    }


def _device_id(lot_id: str) -> str:
    return str(uuid.uuid5(uuid.NAMESPACE_URL, f"cardreader:lot:{lot_id}"))


def _observation(reading: Reading) -> dict[str, Any]:
    source = Source(reading.source)
    value = reading.hb_g_dl
    assert value is not None
    out: dict[str, Any] = {
        "resourceType": "Observation",
        "id": reading.id,
        "status": _status(reading, source),
        "category": [{"coding": [{"system": CATEGORY, "code": "laboratory"}]}],
        "code": {"coding": [HB_CODE]},
        "subject": {"reference": f"urn:uuid:{reading.woman_id}"},
        "effectiveDateTime": reading.taken_at.isoformat(timespec="seconds"),
        "issued": reading.entered_at.isoformat(timespec="seconds"),
        "valueQuantity": _quantity(value),
        "method": {"text": reading.method or METHODS[source]},
        "interpretation": [{"text": _interpretation(reading, source)}],
    }
    if source is not Source.LAB:
        words = (Statement.SCREENING_ONLY, Statement.CONFIRM_AT_FACILITY, Statement.LOCAL_PROTOCOL)
        out["note"] = [{"text": TEXT[word]} for word in words]
    if reading.lot_id:
        out["device"] = {"reference": f"urn:uuid:{_device_id(reading.lot_id)}"}
    if reading.low_g_dl is not None and reading.high_g_dl is not None:
        out["component"] = [
            {
                "code": {"text": "90 % interval of the haemoglobin value"},
                "valueRange": {
                    "low": _quantity(reading.low_g_dl),
                    "high": _quantity(reading.high_g_dl),
                },
            }
        ]
    return out


def _status(reading: Reading, source: Source) -> str:
    if reading.set_aside_at is not None:
        return "entered-in-error"
    return "final" if source is Source.LAB else "preliminary"


def _interpretation(reading: Reading, source: Source) -> str:
    outcome = Outcome(reading.band or "")
    words = {
        Outcome.SEVERE: "Severe anaemia",
        Outcome.ANAEMIC: "Anaemia",
        Outcome.NOT_ANAEMIC: "No anaemia",
        Outcome.UNCERTAIN: "Uncertain",
    }[outcome]
    return words if source is Source.LAB else f"{words} (screening)"


def _quantity(value: float) -> dict[str, Any]:
    return {"value": round(value, 2), "unit": "g/dL", "system": UCUM, "code": "g/dL"}
