"""The fluid layer: names, saturation, states on and beyond the line, and what the command prints."""

import math
import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baytrace.measure.faults import BadInput
from baytrace.physics.cycle import cycle, ph_dome
from baytrace.physics.fluid_names import resolve
from baytrace.physics.fluids import (
    AboveCritical,
    compressed,
    saturation,
    saturation_document,
    saturation_temperature_uncertainty,
    state_at,
    state_at_enthalpy,
    subcooling,
    superheat,
)

FLUIDS = ("R134a", "R1234yf", "R744", "R152a", "R290", "R410A", "R407C", "R454C", "R32[0.7]&R125[0.3]")


@pytest.mark.parametrize(
    ("spelling", "name"),
    [
        ("R134a", "R134a"), ("r-134a", "R134a"), ("134a", "R134a"), ("HFC-134a", "R134a"), ("HFO-1234yf", "R1234yf"),
        ("R744", "R744"), ("CO2", "CO2"), ("water", "Water"), ("R152A", "R152a"), ("r410a", "R410A"),
    ],
)  # fmt: skip
def test_a_fluid_is_found_by_any_spelling_of_the_trade(spelling, name):
    """Dashes, case and the HFC prefix do not matter; the name shown is the trade's."""
    assert resolve(spelling).name == name


@pytest.mark.parametrize(
    ("typo", "suggestion"), [("R134b", "R134a"), ("R1234xf", "R1234yf"), ("R74", "R744"), ("watr", "Water")]
)
def test_a_typo_is_answered_with_the_likely_fluid(typo, suggestion):
    """One line that names what was meant."""
    with pytest.raises(BadInput, match="did you mean") as caught:
        resolve(typo)
    assert suggestion in str(caught.value)


@pytest.mark.parametrize(
    "blend", ["R32&R125", "R32[0.7]&R125[0.7]", "R32[x]&R125[0.3]", "R32[0.5]&Rxyz[0.5]", "R32[-1]&R125[2]"]
)
def test_a_blend_without_a_composition_is_refused(blend):
    """Mole fractions must be there, be shares, and sum to one."""
    with pytest.raises(BadInput):
        resolve(blend)


@pytest.mark.parametrize("fluid", FLUIDS)
@given(share=st.floats(0.02, 0.98))
def test_saturation_goes_there_and_back(fluid, share):
    """From a temperature to the pressures and back to the temperature, for pure fluids and blends."""
    known = resolve(fluid)
    lowest = max(known.lowest_temperature_k, 0.62 * known.critical_temperature_k)
    temperature = lowest + share * (0.87 * known.critical_temperature_k - lowest)
    there = saturation(known, temperature_k=temperature)
    assert there.bubble_pressure_pa >= there.dew_pressure_pa * (1 - 1e-9)
    assert saturation(known, pressure_pa=there.dew_pressure_pa).dew_temperature_k == pytest.approx(
        temperature, abs=1e-4
    )
    back = saturation(known, pressure_pa=there.bubble_pressure_pa)
    assert back.bubble_temperature_k == pytest.approx(temperature, abs=1e-4)
    assert back.bubble_temperature_k <= back.dew_temperature_k + 1e-9


@pytest.mark.parametrize("fluid", ["R134a", "R1234yf", "R744", "R152a", "R407C"])
@given(
    share=st.floats(0.0, 1.0), off=st.sampled_from([0.0, 1e-12, 1e-9, 1e-7, 1e-5, 1e-3]), sign=st.sampled_from([-1, 1])
)
def test_sitting_on_the_saturation_line_never_raises(fluid, share, off, sign):
    """A logger's pressure and temperature may be exactly on the line, on either side, up to the critical point."""
    known = resolve(fluid)
    pressure = (
        1.05
        * known.lowest_pressure_pa
        * (0.9999 * known.critical_pressure_pa / (1.05 * known.lowest_pressure_pa)) ** share
    )
    line = saturation(known, pressure_pa=pressure)
    for side, temperature in (("vapour", line.dew_temperature_k), ("liquid", line.bubble_temperature_k)):
        state = state_at(known, pressure, temperature * (1.0 + sign * off), side=side)
        assert math.isfinite(state.enthalpy)
        assert state.density > 0.0


def test_beyond_the_critical_point_is_said_not_computed():
    """R744 at 80 bar or 35 degC has no saturation; the message gives the critical point. A state is still had."""
    for where in ({"pressure_pa": 8e6}, {"temperature_k": 308.15}):
        with pytest.raises(AboveCritical, match=r"73\.77 bar"):
            saturation("R744", **where)
    assert state_at("R744", 9e6, 313.15, side="liquid").density > 400.0


@pytest.mark.parametrize(
    "where", [{"pressure_pa": math.nan}, {"pressure_pa": -1.0}, {"temperature_k": 0.0}, {"temperature_k": 150.0}, {}]
)
def test_what_is_off_the_line_is_refused(where):
    """Not a number, no absolute value, below the triple point, nothing given."""
    with pytest.raises(BadInput):
        saturation("R134a", **where)


def test_mixtures_near_their_critical_point_are_refused_not_guessed():
    """The mixture model can run into a false root; an answer is either an equilibrium or a refusal."""
    known = resolve("R32[0.7]&R125[0.3]")
    for bar in range(30, 65):
        try:
            found = saturation(known, pressure_pa=bar * 1e5)
        except BadInput:
            continue
        assert 320.0 < found.bubble_temperature_k <= found.dew_temperature_k < 347.0


def test_uncertainty_of_pressure_reaches_superheat():
    """At 2 bar R134a moves 12.6 K a bar by Clausius and Clapeyron; 0.1 bar is 1.3 K (JCGM 100, 5.1.2)."""
    line = saturation("R134a", pressure_pa=2e5)
    vapour = state_at("R134a", 2e5, line.temperature_k, side="vapour")
    liquid = state_at("R134a", 2e5, line.temperature_k, side="liquid")
    slope = line.temperature_k * (1 / vapour.density - 1 / liquid.density) / (vapour.enthalpy - liquid.enthalpy)
    assert saturation_temperature_uncertainty("R134a", 2e5, 1e3) == pytest.approx(slope * 1e3, rel=1e-3)
    assert saturation_temperature_uncertainty("R134a", 4.0592e6, 1e5) > 0.0


def test_superheat_and_subcooling_count_from_their_own_side_of_the_glide():
    """R407C: superheat from the dew point, subcooling from the bubble point, some 5 K apart."""
    line = saturation("R407C", pressure_pa=1e6)
    assert line.dew_temperature_k - line.bubble_temperature_k > 4.0
    assert superheat("R407C", 1e6, line.dew_temperature_k + 3.0) == pytest.approx(3.0)
    assert subcooling("R407C", 1e6, line.bubble_temperature_k - 4.0) == pytest.approx(4.0)


@pytest.mark.parametrize(
    ("fluid", "low", "high", "suction", "liquid"),
    [
        ("R134a", 3e5, 14e5, 283.15, 315.15), ("R1234yf", 3e5, 14e5, 283.15, 315.15), ("R744", 38e5, 95e5, 285.15, 313.15),
        ("R407C", 4e5, 18e5, 285.15, 308.15), ("R454C", 4e5, 18e5, 285.15, 308.15),
    ],
)  # fmt: skip
def test_the_cycle_closes_and_its_dome_stands(fluid, low, high, suction, liquid):
    """The valve keeps enthalpy, the compressor adds some, and the picture's points are finite, transcritical or not."""
    found = cycle(fluid, low, high, suction, liquid)
    assert found.valve.enthalpy == pytest.approx(found.liquid.enthalpy, rel=1e-9)
    assert found.discharge.enthalpy > found.suction.enthalpy > found.valve.enthalpy
    assert 1.0 < found.coefficient_of_performance < 6.0
    assert [point["name"] for point in found.points()] == ["suction", "discharge", "liquid", "valve"]
    assert not found.points()[1]["measured"]
    dome = ph_dome(fluid)
    assert len(dome["dew"]) == len(dome["bubble"]) > 40
    assert all(right[0] > left[0] for left, right in zip(dome["bubble"], dome["dew"], strict=True))


def test_a_state_by_enthalpy_is_the_state_by_temperature():
    """Also for a mixture, whose enthalpy CoolProp cannot invert, inside and outside the dome."""
    for fluid in ("R134a", "R454C"):
        warm = state_at(fluid, 4e5, 300.0, side="vapour")
        assert state_at_enthalpy(fluid, 4e5, warm.enthalpy).temperature_k == pytest.approx(300.0, abs=1e-3)
        cold = state_at(fluid, 4e5, 260.0, side="liquid")
        assert state_at_enthalpy(fluid, 4e5, cold.enthalpy).temperature_k == pytest.approx(260.0, abs=1e-3)
        inside = state_at_enthalpy(fluid, 4e5, 3e5)
        assert inside.quality is not None
        assert 0.0 < inside.quality < 1.0
        assert compressed(fluid, warm, 15e5, 0.7).temperature_k > compressed(fluid, warm, 15e5).temperature_k


def test_threads_do_not_disturb_each_other():
    """Each thread has its own CoolProp states."""
    wrong = []

    def work(celsius):
        wanted = saturation("R134a", temperature_k=celsius + 273.15).pressure_pa
        wrong.extend(
            1 for _ in range(2000) if saturation("R134a", temperature_k=celsius + 273.15).pressure_pa != wanted
        )

    threads = [threading.Thread(target=work, args=(celsius,)) for celsius in (-10, 0, 20, 50)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not wrong


def test_the_printed_document_is_the_contract():
    """Pure: temperature and pressure; a blend at a pressure: bubble and dew temperatures, at a temperature: pressures."""
    assert saturation_document("R134a", 20.0, "degC") == {
        "fluid": "R134a",
        "phase": "liquid-vapour",
        "evidence": {
            "temperature": {"value": pytest.approx(20.0), "unit": "degC"},
            "pressure": {"value": pytest.approx(571706.9, rel=2e-4), "unit": "Pa"},
        },
    }
    assert set(saturation_document("R407C", 10.0, "bar")["evidence"]) == {
        "bubble_temperature",
        "dew_temperature",
        "pressure",
    }
    assert set(saturation_document("R407C", 10.0, "degC")["evidence"]) == {
        "bubble_pressure",
        "dew_pressure",
        "temperature",
    }
    assert saturation_document("Water", 500.0, "micron")["phase"] == "ice-vapour"


def test_a_pressure_is_absolute_unless_its_unit_says_gauge():
    """30 psi is 2.068 bar absolute, 30 psig counts from the atmosphere given."""
    plain = saturation_document("R134a", 30.0, "psi")["evidence"]["pressure"]["value"]
    gauge = saturation_document("R134a", 30.0, "psig", atmosphere_pa=90_000.0)["evidence"]["pressure"]["value"]
    assert plain == pytest.approx(206_842.7, rel=1e-5)
    assert gauge == pytest.approx(206_842.7 + 90_000.0, rel=1e-5)


@pytest.mark.parametrize(
    ("value", "unit"), [(1.0, "g"), (1.0, "baar"), (math.inf, "degC"), (-1.0, "psia"), (-500.0, "degC")]
)
def test_a_wrong_question_gets_one_line(value, unit):
    """No unit of temperature or pressure, a typo, or no physical value."""
    with pytest.raises(BadInput):
        saturation_document("R134a", value, unit)


@pytest.mark.parametrize("name", ["R416A", "R426A"])
def test_a_blend_that_nobody_has_measured_is_refused_in_one_line(name):
    """CoolProp knows the composition and not how two of its parts mix: bad input, never a traceback."""
    with pytest.raises(BadInput, match="cannot be computed") as caught:
        resolve(name)
    assert "\n" not in str(caught.value)
