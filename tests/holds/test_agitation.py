"""Scatter of a stretch and of the others through windows as long, against the definition."""

from types import SimpleNamespace

import numpy as np
import pytest

from flightproc.holds import search

pytestmark = pytest.mark.analytic


def test_running_sums_give_the_scatter_of_every_window(monkeypatch):
    rate, random = 10.0, np.random.default_rng(8)
    time = np.arange(6000) / rate
    turn = 0.05 + 0.01 * random.normal(size=time.size).cumsum() / 30.0
    rpm = np.where(time % 200.0 < 100.0, 6000.0, 0.0)
    spans = [(20.0 + 50.0 * k, 20.0 + 50.0 * k + 25.0 + 2.0 * k) for k in range(11)]
    monkeypatch.setattr(search, "turn_channel", lambda _: turn)
    found = search._agitations(
        SimpleNamespace(time=time, rate=rate), spans, SimpleNamespace(rpm=rpm, idle=2000.0)
    )
    smooth = search.boxcar(turn, round(search._AGITATION_SMOOTH * rate))
    parts = [smooth[(time >= a) & (time <= b)] for a, b in spans]
    power = [rpm[(time >= a) & (time <= b)].mean() > 2000.0 for a, b in spans]
    step = round(search._AGITATION_STEP * rate)

    def middle(i, chosen):
        scatter = []
        for j in chosen:
            size = min(len(parts[i]), len(parts[j]))
            scatter += [np.std(parts[j][k : k + size]) for k in range(0, len(parts[j]) - size + 1, step)]
        return np.median(scatter)

    for i, (own, typical) in enumerate(found):
        rest = [j for j in range(len(spans)) if j != i]
        alike = [j for j in rest if power[j] == power[i]]
        assert own == pytest.approx(np.std(parts[i]), rel=1e-9)
        assert typical == pytest.approx(max(middle(i, rest), middle(i, alike)), rel=1e-9)
