"""The document of `judge --json`: evidence in SI, what the trade reckons in beside it."""

import json

import pytest

from baytrace.cli import run
from baytrace.measure.verdict import TRADE_UNITS, Figure, Outcome, Verdict

SI = {"Pa", "Pa/s", "Pa*m3/s", "s", "g", "g/s", "kg", "degC", "K", "1", "ohm", "J/kg"}
"""Units of the SI (degC by CGPM 1948, the gram as a decimal submultiple of the kilogram), as the documents spell them."""


@pytest.fixture
def trace(tmp_path):
    """Fifteen minutes of hold that rise by 0.2 Pa/s, and the same seen from the other side at 10 bar."""
    vacuum, nitrogen = tmp_path / "vacuum.csv", tmp_path / "nitrogen.csv"
    vacuum.write_text(
        "time [s],system_pressure [Pa]\n" + "".join(f"{n},{50.0 + 0.2 * n:.3f}\n" for n in range(0, 1000, 2))
    )
    nitrogen.write_text(
        "time [s],high_side [kPaa],system_temperature [degC],mark\n"
        + "".join(
            f"{n},{1000.0 - 0.01 * n:.3f},{20.0 + 0.1 * (n % 3):.1f},{'' if n else 'isolated'}\n"
            for n in range(0, 3000, 5)
        )
    )
    return {"evacuation": vacuum, "pressure_hold": nitrogen}


@pytest.mark.parametrize(
    ("watch", "settings", "beside"),
    [
        ("evacuation", ["phase=hold", "volume_l=2.5", "refrigerant=R134a"], {"mbar*L/s", "g/a"}),
        ("pressure_hold", ["volume_l=2.5"], {"mbar*L/s"}),
    ],
)
def test_evidence_is_in_si_and_trade_units_stand_beside(capsys, trace, watch, settings, beside):
    """Nothing in `evidence` has another unit; `also` holds the leak in mbar L/s and grams a year, for people it is shown."""
    words = [word for each in settings for word in ("--set", each)]
    arguments = ["judge", str(trace[watch]), "--watch", watch, *words]
    assert run([*arguments, "--json"]) == 1
    said = json.loads(capsys.readouterr().out)
    assert {figure["unit"] for figure in said["evidence"].values()} <= SI
    assert said["evidence"]["leak_rate"]["unit"] == "Pa*m3/s"
    assert {figure["unit"] for figure in said["also"].values()} == beside <= TRADE_UNITS
    leak, also = said["evidence"]["leak_rate"]["value"], said["also"]["leak_rate_mbar_l_s"]["value"]
    assert also == pytest.approx(10.0 * leak)  # 1 mbar L = 0.1 Pa m3
    run(arguments)
    assert "mbar·L/s" in capsys.readouterr().out


def test_a_verdict_reads_back_whole():
    """From its document, figures in trade units included; without any there is no `also`."""
    figures = {"leak_rate": Figure(1.0, "Pa*m3/s"), "leak_rate_mbar_l_s": Figure(10.0, "mbar*L/s", 9.0, 11.0, 0.95)}
    verdict = Verdict("evacuation", Outcome.FAIL, "leak", ("it leaks",), figures, {"coils": []})
    assert Verdict.from_json(json.loads(json.dumps(verdict.to_json()))) == verdict
    plain = Verdict("sweep", Outcome.PASS, "all within", (), {"contacts": Figure(4.0, "1")})
    assert "also" not in plain.to_json()
