"""What is predicted for a log's days: each of them, and no other, whether or not they go together."""

from datetime import date, timedelta

import numpy as np
import pytest
from tests.host import traced

from dialbench import predict
from dialbench.crossing import Crossings
from dialbench.dial import Site
from dialbench.logged import Logged, predicted
from dialbench.sky import Sky

POSE_DEG = (0.0, 0.3, 0.4)
NAMES = ("channel", "threshold", "rise")
# Days that follow one another, and one after one that is left out.
DAYS = [0, 1, 3]


@pytest.mark.parametrize(
    "site",
    [
        traced.NORTH,
        Site("polar day", 78.0, 15.0, 10.0, "Arctic/Longyearbyen", 1010.0, 0.0),
    ],
    ids=lambda site: site.name,
)
def test_days_together_are_as_each_alone(site):
    dial = traced.spelt(channels=4, steps=8, site=site)
    sky = Sky(site)
    spans = [sky.daylight(date(2027, 5, 1) + timedelta(days=n)) for n in DAYS]
    # Within the day: who logs at its edges touches another where the Sun does not set.
    observed = [(start + 3_600_000_000, end - 3_600_000_000) for start, end in spans]
    none = np.zeros(0, np.int64)
    log = Logged(traced.measured_of(none, none, none == 1, none), observed, [], None)
    found, days = predicted(log, dial, sky, POSE_DEG)
    assert days == spans
    parts = [predict.crossings(dial, sky, *span, POSE_DEG) for span in spans]
    alone = Crossings(
        *(np.concatenate([getattr(part, name) for part in parts]) for name in (*NAMES, "utc_us"))
    )
    assert len(found.utc_us) == len(alone.utc_us) > 50
    for name in NAMES:
        np.testing.assert_array_equal(getattr(found, name), getattr(alone, name))
    assert abs(found.utc_us - alone.utc_us).max() <= 10_000  # what predict.crossings promises
