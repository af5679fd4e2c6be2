"""What the car itself decides: clutch, stroke and fan, from pressures and the coil's temperature."""

from __future__ import annotations

from dataclasses import dataclass

from baytrace_sim.loop.design import LoopDesign

_FIN_S, _STROKE_S = 5.0, 4.0


@dataclass(slots=True)
class Controls:
    """`clutch_on`, `stroke` (0 to 1), `fan_full` and `fin_k` (what the coil's temperature probe feels)."""

    design: LoopDesign
    fin_k: float
    clutch_on: bool = False
    stroke: float = 1.0
    fan_full: bool = False
    cut_out: bool = False
    wants: bool = True
    """What the cycling switch asks for; it keeps its state while the engine stands, as a switch does."""

    def update(self, dt_s: float, low_pa: float, high_pa: float, coil_k: float, *, allowed: bool) -> None:
        """One step; `allowed` is engine on and a clutch that can engage."""
        design = self.design
        self.fin_k += (coil_k - self.fin_k) * min(dt_s / _FIN_S, 1.0)
        self._switches(low_pa)
        if high_pa > design.high_cut_pa:
            self.cut_out = True
        elif high_pa < design.high_resume_pa:
            self.cut_out = False
        self.clutch_on = allowed and self.wants and not self.cut_out and high_pa > design.low_cut_pa
        if design.clutch == "variable":
            self._move_stroke(dt_s, low_pa)
        if not design.fan_stages or high_pa > design.fan_full_above_pa:
            self.fan_full = True
        elif high_pa < design.fan_back_below_pa:
            self.fan_full = False

    def _switches(self, low_pa: float) -> None:
        design = self.design
        if design.clutch == "variable":
            self.wants = True
        elif design.expansion == "orifice":
            if low_pa < design.switch_off_pa:
                self.wants = False
            elif low_pa > design.switch_on_pa:
                self.wants = True
        elif self.fin_k < design.coil_off_k:
            self.wants = False
        elif self.fin_k > design.coil_on_k:
            self.wants = True

    def _move_stroke(self, dt_s: float, low_pa: float) -> None:
        design = self.design
        span = design.stroke_full_pa - design.stroke_low_pa
        asked = (low_pa - design.stroke_low_pa) / span if self.clutch_on else design.smallest_stroke
        asked = min(max(asked, design.smallest_stroke), 1.0)
        self.stroke += (asked - self.stroke) * min(dt_s / _STROKE_S, 1.0)

    @property
    def fan_share(self) -> float:
        return 1.0 if self.fan_full else 0.6
