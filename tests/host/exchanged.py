"""A store to be exchanged: two boards and another make's log, with all that can be in one."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
from tests.host.stores import OPEN, OTHER, SHUT, UID, bent, hello, status

from dialbench import dialfile, foreign, predict
from dialbench.clock import Mark
from dialbench.sky import Sky, to_us
from dialbench.store import CarriedPage, ForeignLog, Store
from dialcore import records

BEGIN = datetime(2027, 4, 16, 6, tzinfo=UTC)
END = datetime(2027, 4, 16, 18, tzinfo=UTC)
NAME = 'a,"b\u202e.csv'
OLD_HASH = "feedfeedfeedfeed"


def due():
    """(the demo dial with few of its bores, its crossings of a day)"""
    demo = dialfile.demo()
    dial = replace(demo, bores=demo.bores[::10])
    return dial, predict.crossings(dial, Sky(dial.site), to_us(BEGIN), to_us(END))


def late_us(count):
    """How late each crossing comes: a dial turned, and made with some scatter."""
    return np.rint(np.random.default_rng(1).normal(30e6, 4e6, count)).astype(np.int64)


def pages(crossings, late, boot=1, begin_us=None):
    """Pages of a log that saw these crossings so late, from the gate's opening to its end."""
    begin_us = to_us(BEGIN) if begin_us is None else begin_us
    order = np.argsort(crossings.utc_us + late)
    rows = [("gate", 1000, OPEN)]
    rows += [
        (
            int(crossings.channel[k]),
            int((crossings.utc_us[k] + late[k] - begin_us) // 1000),
            int(crossings.threshold[k]),
            int(crossings.rise[k]),
        )
        for k in order
    ]
    rows.append(("gate", (to_us(END) - begin_us) // 1000, SHUT))
    writer, made = records.PageWriter(200), []  # small, for several of them
    base = 0

    def seal():
        made.append(bytes(writer.sealed(len(made), boot, base)))

    writer.start(0)
    for row in rows:
        while True:
            at = row[1] - base
            if row[0] == "gate":
                kept = writer.record(records.GATE, at, row[2])
            else:
                kept = writer.crossing(row[0], row[2], row[3], at)
            if kept:
                break
            seal()
            base = row[1]
            writer.start(0)
    seal()
    return made


def fill(path):
    """Make the store; returns the digests of its boards."""
    dial, crossings = due()
    text = dialfile.dump(dial)
    late = late_us(len(crossings.utc_us))
    with Store.open(path) as store:
        store.add_board(hello(dial_hash=dial.hash), text)
        for raw in pages(crossings, late):
            store.add_page(UID, raw)
        for device_ms in (0, 20_000_000, 43_200_000):
            store.add_mark(UID, Mark(1, device_ms, to_us(BEGIN) + 1000 * device_ms, 1000, "link"))
        store.add_status(UID, status(next_page=3, torn_pages=2))
        # A board without a known dial or clock, one page of which was spoilt and came again, and
        # one that is asked for.
        store.add_board(hello(OTHER, dial_hash=OLD_HASH, firmware='0.1, "old"'))
        other = pages(crossings, late, boot=7)
        store.add_carried(OTHER, CarriedPage(7, 0, bent(other[0]), True, other[0]))
        store.add_carried(OTHER, CarriedPage(7, 1, bent(other[1]), True))
        store.carry.add_dial("0" * 16, "name = 'no dial'")
        lines = "".join(
            f"{at}Z,{channel},{(threshold + 1) / 4},{'rise' if rise else 'fall'},{sigma}\n"
            for at, channel, threshold, rise, sigma in zip(
                np.datetime_as_string((crossings.utc_us + late).astype("M8[us]")).tolist(),
                crossings.channel.tolist(),
                crossings.threshold.tolist(),
                crossings.rise.tolist(),
                ["", "0.000001", "0.25"] * len(late),
                strict=False,
            )
        )
        log = foreign.parse(
            f"utc,channel,threshold,direction,sigma_s\n{lines}".encode(),
            NAME,
            b"start,end\n2027-04-16T06:00:00Z,2027-04-16T18:00:00Z\n",
            "sun.csv",
            len(dial.channels),
        )
        store.foreign.add(log, dial.hash, text, len(dial.channels))
        return {uid: store.digest(uid) for uid in (UID, OTHER)}


def fill_small(path):
    """A store with one imported log of a whole day."""
    dial, seen = due()
    utc_us = seen.utc_us + late_us(len(seen.utc_us))
    order = np.lexsort((seen.rise, seen.threshold, seen.channel, utc_us))
    log = ForeignLog(
        "small.csv",
        utc_us[order],
        seen.channel[order],
        seen.threshold[order],
        seen.rise[order],
        (10_000,) * len(order),
        ((to_us(BEGIN), to_us(END)),),
    )
    with Store.open(path) as store:
        store.foreign.add(log, dial.hash, dialfile.dump(dial), len(dial.channels))
