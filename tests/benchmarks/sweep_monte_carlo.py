"""How often the sweep counts, orders and judges coils rightly over made-up meter streams.

    python tests/benchmarks/sweep_monte_carlo.py [streams] [first seed]

Method: each stream (tests/coil_streams.py) has 3 to 12 coils, 2 to 20 readings a second, bounce, settling, range-change spikes,
stray fingers, leads nulled, measured or unknown, wandering contacts, missed and repeated contacts, cold or warm coils, with and
without marks. Count and order are right when every touched coil, and no other, has a resistance within 2 % + 0.4 ohm of what was
put there. A finding is wrong when it claims within, low, high, open or short of a coil of which that is not true.
"""

import sys
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from coil_streams import judge, simulated

CLAIMS = ("within", "low", "high", "open", "short")


def tell(text):
    sys.stdout.write(f"{text}\n")


def score(seed):
    """Whether count and order are right, and the findings that are wrong."""
    stream = simulated(seed)
    verdict = judge(stream.items, stream.settings).verdict()
    said = {coil["position"]: coil for coil in verdict.more["coils"]}
    ordered, wrong, kinds = True, [], Counter()
    for position, truth, shown in stream.truth:
        coil = said.pop(position, {"finding": "missing"})
        kinds[coil["finding"]] += 1
        if shown is None:
            ordered &= "resistance" not in coil
        else:
            ordered &= "resistance" in coil and abs(coil["resistance"]["value"] - shown) <= 0.02 * shown + 0.4
        if coil["finding"] in CLAIMS and coil["finding"] != truth:
            wrong.append((position, truth, coil))
    ordered &= not any("resistance" in coil for coil in said.values())
    bad = any(truth in CLAIMS[1:] for _, truth, _ in stream.truth)
    whole = len([1 for _, truth, _ in stream.truth if truth != "missing"]) == stream.settings["coils"]
    if verdict.outcome == "pass" and (bad or not whole):
        wrong.append(("bank", "not all within", verdict.finding))
    if verdict.outcome == "fail" and not bad:
        wrong.append(("bank", "nothing bad", verdict.finding))
    return ordered, wrong, kinds, verdict, stream


def main():
    streams = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    right, wrong, kinds, outcomes, features = 0, [], Counter(), Counter(), Counter()
    begun = time.perf_counter()
    for seed in range(first, first + streams):
        ordered, bad, found, verdict, stream = score(seed)
        right += ordered
        wrong += [(seed, *each) for each in bad]
        kinds += found
        outcomes[str(verdict.outcome)] += 1
        features.update(stream.features)
        if not ordered:
            tell(
                f"seed {seed}: count or order wrong; {sorted(stream.features)}; {[c['finding'] for c in verdict.more['coils']]}; {verdict.reasons[:2]}"
            )
    for each in wrong:
        tell(f"wrong: {each}")
    tell(f"{streams} streams in {time.perf_counter() - begun:.1f} s; with {dict(features)}")
    tell(f"count and order right: {right} ({100 * right / streams:.1f} %)")
    tell(f"findings wrong: {len(wrong)} of {sum(kinds.values())}; {dict(kinds)}; verdicts {dict(outcomes)}")
    return 0 if right >= 0.98 * streams and not wrong else 1


if __name__ == "__main__":
    sys.exit(main())
