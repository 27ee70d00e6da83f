"""The FHIR R4 bundle: valid by the fhir.resources library, and saying what it must."""

from __future__ import annotations

import base64
import json
import uuid

import pytest
from builders import NOBODY, PROTOCOL, add_woman, combine, facts, lab, photo, refused
from fhir.resources.R4B.bundle import Bundle
from fhir.resources.R4B.observation import Observation

from cardreader.register import fhir, recording, settingaside, submissions, tables
from cardreader.register.base import utc_now
from cardreader.register.identity import identity_of
from cardreader.register.tube import TubeUnit


@pytest.fixture
def month(database):
    """One severe by two blots, one fine after a refused photo; a tube and a laboratory result."""
    with database.write() as session:
        severe, fine = add_woman(session, "KX-1"), add_woman(session, "KX-2", weeks=None)
        detail = {
            "card": {"expires": "2035-12-31"},
            "calibration": {"id": "invented-site", "sha256": "c" * 64},
            "protocol": {"id": "invented-protocol", "sha256": "d" * 64},
            "software": {"name": "cardreader", "version": "9.9.9"},
        }
        for hb, sha in ((5.0, "a" * 64), (5.4, "b" * 64)):
            given = facts(hb, lot="000001", sha=sha)
            photo(session, severe, _with(given, detail))
        photo(session, fine, refused("blurred", "000002"), days_ago=9)
        photo(session, fine, facts(14.0, lot="000002"), days_ago=9)
        recording.record_tube(
            *(session, fine, "tube-key", 13.0, TubeUnit.G_DL, utc_now(), None, PROTOCOL, NOBODY)
        )
        lab(session, severe, 5.4)
        photo(session, fine, facts(10.9, sd_g_dl=1.0, lot="000002"), number=2)
    return database


def _with(given, more):
    from dataclasses import replace

    return replace(given, detail={**given.detail, **more})


def _by_kind(database, **options) -> dict[str, list]:
    with database.read() as session:
        bundle = Bundle.model_validate_json(fhir.bundle(session, **options))
    out: dict[str, list] = {}
    for entry in bundle.entry:
        out.setdefault(entry.resource.get_resource_type(), []).append(entry.resource)
    return out


def _hb(found) -> list:
    return [o for o in found["Observation"] if o.code.coding[0].code == "718-7"]


def test_bundle_is_valid_and_whole(month):
    found = _by_kind(month)
    assert {kind: len(all_) for kind, all_ in found.items()} == {
        "Patient": 2,
        "Device": 2,
        "Encounter": 3,
        "Observation": 7 + 1 + 1,  # readings, two blots together, weeks of the one who knows them
        "ServiceRequest": 4,
    }
    for patient in found["Patient"]:
        assert (patient.name, patient.birthDate, patient.address) == (None, None, None)
    for observation in _hb(found):
        (coding,) = observation.code.coding
        # LOINC 718-7: Hemoglobin [Mass/volume] in Blood; UCUM g/dL.
        assert coding.system == "http://loinc.org"
        if observation.valueQuantity is not None:
            quantity = observation.valueQuantity
            assert (quantity.system, quantity.code) == ("http://unitsofmeasure.org", "g/dL")
        lab_result = observation.method.text == "Cell counter"
        assert observation.status == ("final" if lab_result else "preliminary")
        if not lab_result:
            assert "Screening only" in observation.note[0].text


def test_every_reference_leads_to_something_in_the_bundle(month):
    with month.read() as session:
        plain = fhir.bundle_dict(session)
    urls = {entry["fullUrl"] for entry in plain["entry"]}
    assert len(urls) == len(plain["entry"])
    text = json.dumps([entry["resource"] for entry in plain["entry"]])
    referred = {part.split('"')[0] for part in text.split('"reference": "')[1:]}
    assert len(referred) > 5
    assert referred <= urls


def test_interpretation_is_coded(month):
    """HL7 v3 ObservationInterpretation: LL critical low, L low, N normal, IND indeterminate."""
    coded = {
        (o.interpretation[0].coding[0].code, o.interpretation[0].coding[0].system)
        for o in _hb(_by_kind(month))
        if o.interpretation
    }
    system = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"
    assert {("LL", system), ("N", system), ("IND", system)} <= coded


def test_a_code_is_a_number_of_this_register(month):
    with month.read() as session:
        identity = identity_of(session)
    for patient in _by_kind(month)["Patient"]:
        assert all(i.system for i in patient.identifier)
        code = next(i for i in patient.identifier if i.value.startswith("KX-"))
        assert code.system == f"urn:uuid:{uuid.UUID(hex=identity)}"


def test_weeks_of_pregnancy_at_each_visit(month):
    found = _by_kind(month)
    (weeks,) = [o for o in found["Observation"] if o.code.coding[0].code == "18185-9"]
    assert (int(weeks.valueQuantity.value), weeks.valueQuantity.code) == (20, "wk")
    assert weeks.encounter.reference.removeprefix("urn:uuid:") in {e.id for e in found["Encounter"]}


def test_a_refused_photo_is_an_observation_without_a_value(month):
    (absent,) = [o for o in _hb(_by_kind(month)) if o.dataAbsentReason is not None]
    assert absent.valueQuantity is None
    assert absent.interpretation is None
    assert absent.dataAbsentReason.coding[0].system.endswith("/data-absent-reason")
    assert absent.dataAbsentReason.text.startswith("blurred: ")
    assert absent.device is not None


def test_blots_taken_together_are_an_observation_derived_from_theirs(month):
    found = _hb(_by_kind(month))
    (combined,) = [o for o in found if o.derivedFrom]
    parts = {reference.reference.removeprefix("urn:uuid:") for reference in combined.derivedFrom}
    values = sorted(float(o.valueQuantity.value) for o in found if o.id in parts)
    assert values == [5.0, 5.4]
    assert float(combined.valueQuantity.value) == pytest.approx(5.2)


def test_calibration_protocol_version_and_hash_travel(month):
    reading = next(o for o in _hb(_by_kind(month)) if o.identifier)
    said = {c.code.text: c.valueString for c in reading.component if c.valueString}
    assert said == {
        "Calibration": "invented-site sha256:" + "c" * 64,
        "Protocol": "invented-protocol sha256:" + "d" * 64,
        "Program": "cardreader 9.9.9",
    }
    digest = reading.identifier[0].value.removeprefix("ni:///sha-256;")
    assert base64.urlsafe_b64decode(digest + "=").hex() in ("a" * 64, "b" * 64)


def test_a_device_is_a_card_lot_with_its_own_version(month):
    devices = {d.lotNumber: d for d in _by_kind(month)["Device"]}
    assert devices.keys() == {"000001", "000002"}
    assert [v.value for v in devices["000001"].version] == ["000001"]
    assert str(devices["000001"].expirationDate).startswith("2035-12-31")
    assert devices["000002"].expirationDate is None


def test_a_referral_is_a_service_request(month):
    found = _by_kind(month)
    requests = found["ServiceRequest"]
    assert sorted((r.status, r.priority, bool(r.code.coding)) for r in requests) == [
        ("active", "routine", True),  # she whose value is uncertain
        ("active", "urgent", False),  # care, once the laboratory said severe
        ("completed", "urgent", True),  # the test that said so
        ("revoked", "routine", True),  # a photo not read, overtaken by one that was
    ]
    assert all(r.intent == "order" for r in requests)
    observations = {o.id for o in found["Observation"]}
    reasons = [r.reasonReference[0].reference for r in requests if r.reasonReference]
    assert reasons
    assert {reason.removeprefix("urn:uuid:") for reason in reasons} <= observations


def test_validator_would_find_a_fault(month):
    with month.read() as session:
        plain = fhir.bundle_dict(session)
    observation = next(
        e["resource"] for e in plain["entry"] if e["resource"]["resourceType"] == "Observation"
    )
    del observation["status"]
    with pytest.raises(ValueError, match="status"):
        Observation.model_validate(observation)


def test_researchers_bundle_has_no_codes(month):
    with month.read() as session:
        assert "KX-1" in fhir.bundle(session)
        assert "KX-1" not in fhir.bundle(session, codes=False)
        assert "KX-1" not in tables.readings_csv(session, codes=False)


def test_set_aside_is_told_as_entered_in_error(month):
    with month.write() as session:
        tube = submissions.find_submission(session, "tube-key")
        woman = tube.woman
        settingaside.set_aside(session, tube, "slip", None, combine, NOBODY)
        plain = json.dumps(fhir.bundle_dict(session, [woman.id]))
    assert "entered-in-error" in plain
