"""The words of a report: what each finding means to a customer, and what figures and settings are called."""

from __future__ import annotations

WATCHES = {
    "evacuation": "Vacuum and leak test",
    "pressure_hold": "Standing test with dry nitrogen",
    "charge": "Refrigerant charge",
    "pressures": "Pressures of the running loop",
    "sweep": "Coil resistances",
    "limits": "Limits",
    "field_check": "Check of an instrument",
}
"""What a watch looked at."""

FINDINGS = {
    ("evacuation", "tight"): "The loop held its vacuum. No leak and no water above the limits was found.",
    ("evacuation", "leak"): "The loop leaks: during the hold the pressure kept rising.",
    ("evacuation", "moisture"): "There is still water in the loop: during the hold the pressure rose and levelled off.",
    ("evacuation", "leak and moisture"): "The loop leaks, and there is still water in it.",
    ("evacuation", "not deep enough"): "The vacuum did not get deep enough to dry the loop.",
    ("evacuation", "too short"): "The vacuum or its hold did not last long enough to judge.",
    ("evacuation", "undecided"): "The vacuum test could not be decided.",
    ("pressure_hold", "tight"): "The loop held its test pressure. No leak above the limit was found.",
    ("pressure_hold", "leak"): "The loop leaks: it lost test pressure.",
    ("charge", "settled"): "The charge went in by weight, and the running loop settled.",
    ("charge", "not settled"): "The loop had not settled when the readings ended.",
    ("charge", "undercharged"): "There is less refrigerant in the loop than the label asks for.",
    ("charge", "overcharged"): "There is more refrigerant in the loop than the label asks for.",
    ("pressures", "normal"): "Both pressures are within the usual range for this refrigerant and this day.",
    ("pressures", "both high"): "The pressures are higher than sound cars show, on one side or both.",
    ("pressures", "both low"): "The pressures are lower than sound cars show, on one side or both.",
    ("pressures", "low high and high low"): "The two pressures lie closer together than in sound cars.",
    ("pressures", "low low and high high"): "The two pressures lie further apart than in sound cars.",
    ("pressures", "no pumping"): "The engine ran and the compressor pumped nothing.",
    ("field_check", "agrees"): "The instrument agrees with what it was held against.",
    ("field_check", "off"): "The instrument is off: it shows more or less than it may.",
}

KEY_FIGURES = {
    "evacuation": ("deepest_pressure", "deep_vacuum_time", "hold_time", "leak_rate", "rise_rate", "vapour_rise"),
    "pressure_hold": ("decay_rate", "leak_rate", "hold_time"),
    "charge": ("charged_mass", "superheat", "subcooling", "vent_temperature", "vent_depression"),
    "pressures": ("low_side_pressure", "high_side_pressure", "pressure_ratio"),
    "sweep": ("bank_median", "bank_spread"),
    "field_check": ("difference", "allowed_difference", "known"),
}
"""What the first page shows, where there is such a figure."""

FIGURES = {
    "deepest_pressure": "Deepest pressure",
    "deep_vacuum_time": "Time in deep vacuum",
    "hold_time": "Time held",
    "leak_rate": "Leak rate",
    "rise_rate": "Rise that does not level off",
    "leak_rate_mbar_l_s": "Leak rate, in mbar·L/s",
    "yearly_loss_equal_throughput": "Yearly loss, if as much refrigerant goes out as air came in",
    "yearly_loss_laminar": "Yearly loss, scaled for laminar flow at working pressure",
    "ambient_temperature": "Ambient air",
    "expected_low_side_pressure": "Low side expected",
    "expected_high_side_pressure": "High side expected",
    "vapour_rise": "Rise that levels off (vapour)",
    "vapour_time": "Time constant of the vapour",
    "more_time_needed": "More time needed",
    "decay_rate": "Pressure lost",
    "charged_mass": "Refrigerant charged",
    "settled_at": "Settled, from the start of the readings",
    "low_side_pressure": "Low side",
    "high_side_pressure": "High side",
    "pressure_ratio": "Pressure ratio",
    "vent_temperature": "Vent air",
    "vent_depression": "Vent air below ambient",
    "own_low_side_pressure": "Low side in the maker's table",
    "own_high_side_pressure": "High side in the maker's table",
    "own_vent_temperature": "Vent air in the maker's table",
    "own_since_repair_evaporating": "Since the work on the loop: evaporating temperature",
    "own_since_repair_condensing": "Since the work on the loop: condensing above ambient",
    "own_since_repair_subcooling": "Since the work on the loop: subcooling",
    "own_since_repair_superheat": "Since the work on the loop: superheat",
    "own_since_repair_vent": "Since the work on the loop: vent below ambient",
    "own_since_repair_approach": "Since the work on the loop: liquid line above ambient",
    "own_since_repair_pressure_ratio": "Since the work on the loop: pressure ratio",
    "own_since_evaporating": "Since the earlier session: evaporating temperature",
    "own_since_condensing": "Since the earlier session: condensing above ambient",
    "own_since_subcooling": "Since the earlier session: subcooling",
    "own_since_superheat": "Since the earlier session: superheat",
    "own_since_vent": "Since the earlier session: vent below ambient",
    "own_since_approach": "Since the earlier session: liquid line above ambient",
    "own_since_pressure_ratio": "Since the earlier session: pressure ratio",
}

OUTCOMES = {"pass": "Pass", "fail": "Fail", "undecided": "Undecided", "": "Open"}
OVERALL = {
    "pass": "Every test passed.",
    "fail": "At least one test failed.",
    "undecided": "No test failed, but at least one could not be decided.",
    "": "The session was still open when this report was made.",
}

BALANCES = {
    "missing_before_service": "Missing from the label's charge before the work",
    "charged_over_label": "Charged over the label",
    "charged_less_recovered": "Charged less recovered",
    "oil_to_add": "Oil that had to be added",
    "oil_to_take_out": "Oil that had to be taken out",
    "oil_added_over_needed": "Oil added over what was needed",
}

BELOW = {
    "missing_before_service": "More than the label's charge before the work",
    "charged_over_label": "Charged under the label",
    "charged_less_recovered": "Recovered less charged",
    "oil_added_over_needed": "Oil added less than was needed",
}
"""What a balance below nothing is called when its sign is turned."""

VERIFY = (
    "The trace pack of this session holds every reading and event behind this report, with digests, signature and chain.",
    "baytrace verify PACK.zip checks them all and works the verdicts out again from the readings.",
    "Without this program: unpack the zip, then run in its directory",
    "sha256sum -c tagmanifest-sha256.txt manifest-sha256.txt",
    "openssl pkeyutl -verify -rawin -pubin -inkey signing-key.pem \\\n    -sigfile tagmanifest-sha256.txt.sig -in tagmanifest-sha256.txt",
    "and compare the key's fingerprint with the one the bench shows (baytrace key show).",
)


OWN = "The running loop is within the car's own figures."
"""Of pressures that passed by them: figures named `own_...` stand among the evidence."""


def plain(watch: str, finding: str, outcome: str) -> str:
    """One sentence for someone who did not see the work. Coils and limits speak for themselves."""
    known = FINDINGS.get((watch, finding))
    if known is not None and (outcome != "undecided" or "undecided" in finding or watch == "evacuation"):
        return known
    if outcome == "undecided":
        return f"{WATCHES.get(watch, sentence(watch))}: this could not be decided."
    return sentence(finding) + "."


def sentence(text: str) -> str:
    text = text.replace("_", " ").strip()
    return text[:1].upper() + text[1:]
