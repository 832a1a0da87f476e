"""The live page: face, facts, events, legend."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import ClassVar

from textual.containers import Horizontal, Vertical
from textual.widget import Widget

from dialbench.watch import views
from dialbench.watch.page import Page


class LivePage(Page):
    """The dial as it stands, redrawn where it changes."""

    DEFAULT_CSS = """
    LivePage #side { height: 1fr; }
    LivePage #left { width: 1fr; }
    LivePage Face { height: 1fr; margin: 1 1 0 1; }
    LivePage Caption { height: 1; }
    LivePage Events { height: 3; background: $background; }
    LivePage Facts { width: 36; background: $surface; }
    LivePage Legend { height: 2; }
    LivePage.-tall Events { height: 6; margin: 1 0; }
    LivePage.-tall Caption { margin: 1 0 0 0; }
    LivePage.-wide Facts { width: 38; }
    """
    label = "live"
    page_key = "1"
    about = (
        "The face as it stands on the dial: what each channel measures against what is predicted "
        "for now; what the dial reads, what it should, and the next change."
    )

    facts: ClassVar[Mapping[str, str]] = {
        "Title": "watch:dial.name watch:dial.site watch:why_unobserved watch:counts",
        "Face": "watch:states",
        "Caption": "watch:pulling watch:comparing watch:states",
        "Events": "watch:events",
        "Legend": "watch:counts watch:why_unobserved",
        "dial reads": "watch:reads watch:why_unobserved",
        "should read": "watch:should_read",
        "zone clock": "watch:zone_time",
        "UTC": "watch:utc",
        "dial - clock": "watch:difference_min",
        "eq. of time": "watch:shares.equation_of_time_min",
        "longitude": "watch:shares.longitude_min",
        "air, UT1": "watch:shares.air_min",
        "pose, making": "watch:shares.pose_min watch:shares.shift",
        "within step": "watch:shares.step_min",
        "wrong step": "watch:shares.face_min",
        "eq.time,place": (
            "watch:shares.equation_of_time_min watch:shares.longitude_min watch:shares.air_min"
        ),
        "step, pose": "watch:shares.step_min watch:shares.pose_min watch:shares.face_min",
        "next change": "watch:next_change.utc_us watch:next_change.in_s",
        "will be lit": "watch:next_change.lit",
        "will be dark": "watch:next_change.dark",
        "hour angle": "watch:sun.hour_angle_deg watch:sun.declination_deg",
        "altitude": "watch:sun.altitude_deg watch:sun.azimuth_deg",
        "board": "watch:link.connected",
        "port": "watch:link.port",
        "last frame": "watch:link.frame_age_s",
        "bad, dropped": "watch:log.bad_frames watch:link.dropped watch:link.unshown",
        "clock mark": "watch:clock_mark.utc_us watch:clock_mark.sigma_us",
        "pages": "watch:log.first_page watch:log.next_page watch:log.pages_in_store",
        "overflow,torn": "watch:log.overflow_records watch:log.torn_pages",
        "retired,blind": "watch:log.retired_pages watch:log.blind_ms",
    }

    def body(self) -> Iterable[Widget]:
        blocks = self.desk.blocks
        with Horizontal(id="side"):
            with Vertical(id="left"):
                yield views.Face(blocks)
                yield views.Caption(blocks)
                yield views.Events(blocks)
            yield views.Facts(blocks)
        yield views.Legend(blocks)
