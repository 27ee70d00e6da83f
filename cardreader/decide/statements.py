"""Every sentence a result can carry, each under a code, in plain English.

Results hold codes; the words are looked up here. A catalogue of another
language translates this table and nothing else. Sentences are short and say
one thing, because they are read on a small screen in the middle of a clinic.
"""

from __future__ import annotations

from enum import StrEnum


class Statement(StrEnum):
    """Code of a sentence; the value is what JSON carries."""

    # Headlines: what the reading says.
    SEVERE = "severe"
    MAY_BE_SEVERE = "may_be_severe"
    ANAEMIC = "anaemic"
    MAY_BE_ANAEMIC = "may_be_anaemic"
    NOT_ANAEMIC = "not_anaemic"
    NOT_READ = "not_read"

    # Actions: what to do now.
    REFER_NOW = "refer_now"
    RETAKE = "retake"
    PALE_BLOT = "pale_blot"
    TEST_WITHOUT_PHOTO = "test_without_photo"
    CONFIRM_AT_FACILITY = "confirm_at_facility"
    CONFIRM_AS_PROTOCOL = "confirm_as_protocol"
    DANGER_SIGNS = "danger_signs"

    # What local protocol usually asks; a protocol file chooses among these.
    USUAL_SPECIALIST_CARE = "usual_specialist_care"
    USUAL_SEVERE_LIST = "usual_severe_list"
    USUAL_TREATMENT = "usual_treatment"
    USUAL_PREVENTION = "usual_prevention"
    USUAL_MONTHLY_TEST = "usual_monthly_test"
    USUAL_FOUR_TESTS = "usual_four_tests"

    # Cautions: on every result.
    SCREENING_ONLY = "screening_only"
    LOCAL_PROTOCOL = "local_protocol"
    BLOOD_INFECTIOUS = "blood_infectious"
    GLOVES = "gloves"
    SHARPS = "sharps"

    # Notes: what the reading did or did not take into account.
    TRIMESTER_UNKNOWN = "trimester_unknown"
    ELEVATION_ADJUSTED = "elevation_adjusted"
    ELEVATION_NOT_ADJUSTED = "elevation_not_adjusted"
    ELEVATION_UNKNOWN = "elevation_unknown"
    SMOKING_ADJUSTED = "smoking_adjusted"
    SMOKING_NOT_ADJUSTED = "smoking_not_adjusted"
    SIMULATED_CALIBRATION = "simulated_calibration"
    OTHER_PAPER = "other_paper"
    BELOW_PAIRS = "below_pairs"
    ABOVE_PAIRS = "above_pairs"
    NOMINAL_LOT = "nominal_lot"
    PHOTOGRAPHED_LOT = "photographed_lot"
    SIMULATED_LOT = "simulated_lot"
    BLOTS_DISAGREE = "blots_disagree"
    FAINT_REFLECTION = "faint_reflection"


TEXT: dict[Statement, str] = {
    Statement.SEVERE: "Severe anaemia is likely.",
    Statement.MAY_BE_SEVERE: "Severe anaemia is possible.",
    Statement.ANAEMIC: "Anaemia is likely.",
    Statement.MAY_BE_ANAEMIC: "Uncertain: she may be anaemic.",
    Statement.NOT_ANAEMIC: "Anaemia is unlikely.",
    Statement.NOT_READ: "Not read. This does not mean that she is well.",
    Statement.REFER_NOW: "Refer her now to a unit that can treat severe anaemia.",
    Statement.RETAKE: "Put right what is said above and take the photo again.",
    Statement.PALE_BLOT: "Is her blood pale and thin? Refer her now.",
    Statement.TEST_WITHOUT_PHOTO: "Still not read? Send her for a blood test.",
    Statement.CONFIRM_AT_FACILITY: "Confirm with a blood test at a health facility.",
    Statement.CONFIRM_AS_PROTOCOL: "Confirm with a blood test where local protocol asks for it.",
    Statement.DANGER_SIGNS: "Breathless, faint or bleeding? Refer her now all the same.",
    Statement.USUAL_SPECIALIST_CARE: "Specialist care at a referral unit.",
    Statement.USUAL_SEVERE_LIST: "Her entry in the list of severely anaemic women.",
    Statement.USUAL_TREATMENT: "Iron-folic acid, one tablet twice a day for 100 days.",
    Statement.USUAL_PREVENTION: "Iron-folic acid, one tablet a day for 100 days.",
    Statement.USUAL_MONTHLY_TEST: "A haemoglobin test every month.",
    Statement.USUAL_FOUR_TESTS: "A haemoglobin test at each of four antenatal visits.",
    Statement.SCREENING_ONLY: "Screening only. This is not a diagnosis.",
    Statement.LOCAL_PROTOCOL: "Local protocol and licensed staff decide.",
    Statement.BLOOD_INFECTIOUS: "Treat all blood as infectious, dry blots too.",
    Statement.GLOVES: "Wear gloves.",
    Statement.SHARPS: "Use each lancet once, then into the sharps box.",
    Statement.TRIMESTER_UNKNOWN: "Trimester not given: the strictest limit was used.",
    Statement.ELEVATION_ADJUSTED: "Adjusted for the elevation where she lives.",
    Statement.ELEVATION_NOT_ADJUSTED: "This protocol makes no adjustment for elevation. "
    "High up, anaemia can be missed.",
    Statement.ELEVATION_UNKNOWN: "Elevation not given: read as at sea level. "
    "High up, anaemia can be missed.",
    Statement.SMOKING_ADJUSTED: "Adjusted for smoking.",
    Statement.SMOKING_NOT_ADJUSTED: "This protocol makes no adjustment for smoking. "
    "In a smoker, anaemia can be missed.",
    Statement.SIMULATED_CALIBRATION: "Calibrated on simulated photos only: "
    "no clinical accuracy is claimed.",
    Statement.SIMULATED_LOT: "The card is a simulated one, for demonstration only.",
    Statement.BLOTS_DISAGREE: "The blots disagree. Make new blots and read again.",
    Statement.FAINT_REFLECTION: "The blot may shine a little: wider interval. "
    "Another photo, from another side, tells more.",
    Statement.OTHER_PAPER: "The calibration never saw this batch of paper: no value until blood "
    "tests on it.",
    Statement.BELOW_PAIRS: "No blood test behind the calibration was so low: wider interval. "
    "Add such women's tests.",
    Statement.ABOVE_PAIRS: "No blood test behind the calibration was so high: wider interval. "
    "Add such women's tests.",
    Statement.NOMINAL_LOT: "Card colours assumed, not measured: less sure.",
    Statement.PHOTOGRAPHED_LOT: "Card colours found from photos, not measured.",
}

USUAL_CARE: frozenset[Statement] = frozenset(s for s in Statement if s.startswith("usual_"))
"""The codes that a protocol file may name under ``[usual_care]``."""
