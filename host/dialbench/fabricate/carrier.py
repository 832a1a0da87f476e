"""The sensor carrier: a plate on the face with a hole behind every exit.

The plate lies on the face. Each hole begins with a narrow light opening, `baffle_mm` deep,
and widens to take a sensor from behind: its neighbours' light does not reach it. Places
(y, z) are those of the face.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dialbench.dial import Dial
from dialbench.errors import UserError
from dialbench.fabricate.drawing import Drawing
from dialbench.fabricate.workshop import Workshop
from dialbench.layout import SUN_REACH_DEG
from dialbench.rays.voids import A, U, V, Voids

Place = tuple[float, float]

_LEAST_BAFFLE_MM = 0.2
_LIP_MM = 0.4  # the least that an opening is narrower than its sensor's hole, all round
_CLEAR_MM = 0.3  # an opening is wider than the light by so much, all round
_RIM_MM = 2.0  # from a sensor's hole to a cheek
_EDGE_MM = 6.0  # from a body screw to the face's edge
_GRID_MM = 3.0
_CABLE_MM = (24.0, 6.0)  # the cable slot, along y and z


class CarrierError(UserError):
    """Why no carrier can be made."""


@dataclass(frozen=True)
class Carrier:
    """A plate half_y by half_z to either side of the face's middle. Lengths in mm.

    openings: diameter of the light opening of every channel. body_screws go into the body,
    bed_screws through the plate into the cheeks under it. remarks are for people.
    """

    half_y: float
    half_z: float
    thickness: float
    sensor: float
    baffle: float
    openings: tuple[float, ...]
    body_screws: tuple[Place, ...]
    bed_screws: tuple[Place, ...]
    screw: float
    cable_slot: tuple[Place, Place] | None
    remarks: tuple[str, ...]


def carrier(dial: Dial, workshop: Workshop) -> Carrier:
    """The plate for a dial; CarrierError where sensors' holes would run into each other."""
    places = np.array([(channel.y_mm, channel.z_mm) for channel in dial.channels])
    _room_for_sensors(places, workshop)
    half_z = dial.body.length_mm / 2
    outermost = float(np.abs(places[:, 0]).max()) + workshop.sensor_mm / 2
    half_y = max(dial.body.radius_mm, outermost + _RIM_MM + workshop.cheek_mm)
    remarks: list[str] = []
    baffle, openings = _openings(dial, workshop, remarks)
    rows = (-0.5, 0.5) if half_z > 20 else (0.0,)
    bed = tuple(
        (side * (half_y - workshop.cheek_mm / 2), 1.4 * row * half_z)
        for side in (-1, 1)
        for row in rows
    )
    inner_y = half_y - workshop.cheek_mm - 1.2 * workshop.screw_mm
    screws = _body_screws(dial, workshop, places, inner_y)
    if len(screws) < 2:
        remarks.append(
            "body screws: fewer than two have room between bores and sensors; hold the body on "
            "its carrier by straps outside all entries instead"
        )
    slot = _cable_slot(places, screws, workshop, inner_y, half_z)
    if slot is None:
        remarks.append("cable slot: has no room; lead the wires out at the plate's edge")
    return Carrier(
        half_y=half_y,
        half_z=half_z,
        thickness=baffle + workshop.sensor_depth_mm,
        sensor=workshop.sensor_mm,
        baffle=baffle,
        openings=openings,
        body_screws=screws,
        bed_screws=bed,
        screw=workshop.screw_mm,
        cable_slot=slot,
        remarks=tuple(remarks),
    )


def _room_for_sensors(places: NDArray[np.float64], workshop: Workshop) -> None:
    """CarrierError if two holes overlap or leave too thin a web."""
    apart = np.linalg.norm(places[:, None] - places[None], axis=2)
    apart[np.arange(len(places)), np.arange(len(places))] = math.inf
    one, other = sorted(int(k) for k in np.unravel_index(apart.argmin(), apart.shape))
    pitch = float(apart[one, other])
    if pitch >= workshop.sensor_mm + workshop.web_mm:
        return
    most = math.floor((pitch - workshop.web_mm) * 100) / 100
    smaller = f"sensor_mm of at most {most:g} in the workshop file, or " if most >= 0.5 else ""
    raise CarrierError(
        f"face: channels {one} and {other} stand {pitch:.2f} mm apart, and sensor holes of "
        f"{workshop.sensor_mm:g} mm need a pitch of {workshop.sensor_mm + workshop.web_mm:g} mm; "
        f"write a {smaller}wider pitch in the dial"
    )


def _openings(
    dial: Dial, workshop: Workshop, remarks: list[str]
) -> tuple[float, tuple[float, ...]]:
    """How deep the baffle is, and how wide its opening must be for every channel's light.

    Light of a bore that leans runs aside on its way to the sensor: the farther behind the
    face the sensor stands, the farther. The baffle is made thin enough for all of it.
    """
    exit_mm = np.zeros(len(dial.channels))
    lean = np.zeros(len(dial.channels))  # mm aside for each mm behind the face
    for bore in dial.bores:
        hour = math.radians(bore.hour_angle_deg)
        wide = math.atan((bore.entry_mm + bore.exit_mm) / 2 / bore.length_mm)
        steep = min(abs(hour) + wide, math.radians(89))
        rise = math.radians(min(abs(bore.declination_deg) + bore.opening_deg / 2, SUN_REACH_DEG))
        if bore.shape == "round":
            rise = math.radians(abs(bore.declination_deg)) + wide
        aside = math.hypot(math.tan(steep), math.tan(rise) / math.cos(steep))
        across = bore.exit_mm / math.cos(hour)
        if bore.shape == "slot":
            across = math.hypot(across, bore.exit_mm)
        exit_mm[bore.channel] = max(exit_mm[bore.channel], across)
        lean[bore.channel] = max(lean[bore.channel], aside)
    widest = workshop.sensor_mm - 2 * _LIP_MM
    room = np.maximum(widest / 2 - _CLEAR_MM - exit_mm / 2, 0.0)
    with np.errstate(divide="ignore"):
        fitting = np.where(lean > 0, room / np.where(lean > 0, lean, 1.0), np.inf)
    baffle = min(workshop.baffle_mm, float(fitting.min()))
    if baffle < _LEAST_BAFFLE_MM:
        worst = int(fitting.argmin())
        baffle = _LEAST_BAFFLE_MM
        remarks.append(
            f"baffle: even {baffle:g} mm behind the face light of channel {worst} runs past a "
            f"sensor of {workshop.sensor_mm:g} mm when its bores stand lowest; a larger one would "
            "catch it"
        )
    wide_mm = np.minimum(exit_mm + 2 * (lean * baffle + _CLEAR_MM), widest)
    return baffle, tuple(float(each) for each in wide_mm)


def _body_screws(
    dial: Dial, workshop: Workshop, places: NDArray[np.float64], inner_y: float
) -> tuple[Place, ...]:
    """A place near each corner of the face where a screw meets no bore and no sensor."""
    most_y = min(dial.body.radius_mm - _EDGE_MM, inner_y)
    most_z = dial.body.length_mm / 2 - _EDGE_MM
    if most_y <= 0 or most_z <= 0:
        return ()
    steps_y = np.arange(most_y, most_y / 4, -_GRID_MM)
    steps_z = np.arange(most_z, most_z / 4, -_GRID_MM)
    voids = Voids.of(dial, 0.0, 1.0)
    found: list[Place] = []
    for side_y, side_z in ((1, 1), (-1, 1), (1, -1), (-1, -1)):
        spots = [(float(y), float(z)) for y in steps_y for z in steps_z]
        spots.sort(key=lambda spot: (most_y - spot[0]) + (most_z - spot[1]))
        for y, z in spots:
            spot = (side_y * y, side_z * z)
            apart = np.hypot(places[:, 0] - spot[0], places[:, 1] - spot[1]).min()
            if apart < (workshop.sensor_mm + workshop.screw_mm) / 2 + 2 * workshop.web_mm:
                continue
            if _in_wood(dial, voids, spot, workshop):
                found.append(spot)
                break
    return tuple(found)


def _in_wood(dial: Dial, voids: Voids, spot: Place, workshop: Workshop) -> bool:
    """Whether a screw of the body, and a wall around it, stand in wood only."""
    deep, half = workshop.screw_depth_mm, workshop.screw_mm / 2 + workshop.web_mm
    turn = np.linspace(0, 2 * math.pi, 8, endpoint=False)
    ring = np.array([(0.0, 0.0), *zip(half * np.cos(turn), half * np.sin(turn), strict=True)])
    x = np.linspace(0, deep + workshop.web_mm, 6)
    xs = np.repeat(x, len(ring))
    ys, zs = np.tile(ring + spot, (len(x), 1)).T
    if (xs > dial.body.front_mm).any() or (xs**2 + ys**2 > dial.body.radius_mm**2).any():
        return False
    points = np.array((xs, ys, zs))
    a, u, v = (
        np.einsum("kb,kp->pb", voids.axes[axis], points) - voids.origin[axis] for axis in (A, U, V)
    )
    every = np.broadcast_to(np.arange(a.shape[1]), a.shape)
    return not voids.hold(every, a, u, v).any()


def _cable_slot(
    places: NDArray[np.float64],
    screws: Sequence[Place],
    workshop: Workshop,
    inner_y: float,
    half_z: float,
) -> tuple[Place, Place] | None:
    """Two corners of a slot for the reference sensors' cable, at the lower end if it has room."""
    wide, high = _CABLE_MM
    taken = [(y, z, workshop.sensor_mm) for y, z in places]
    taken += [(y, z, 2 * workshop.screw_mm) for y, z in screws]
    levels = np.arange(-half_z + 4, half_z - high - 4, 1.0)
    for z in levels:
        for y in sorted(np.arange(-inner_y, inner_y - wide, 2.0), key=lambda y: abs(y + wide / 2)):
            gaps = [
                math.hypot(max(y - cy, cy - y - wide, 0.0), max(z - cz, cz - z - high, 0.0)) - d / 2
                for cy, cz, d in taken
            ]
            if min(gaps) >= 2.0:
                return (float(y), float(z)), (float(y) + wide, float(z) + high)
    return None


def drawing(dial: Dial, plate: Carrier, workshop: Workshop) -> Drawing:
    """The plate as seen from behind the face, the side that sensors go in: +y on the left."""
    made = Drawing(f"{dial.name}: sensor carrier")
    made.box("outline", (-plate.half_y, -plate.half_z), (plate.half_y, plate.half_z))
    for number, (channel, opening) in enumerate(zip(dial.channels, plate.openings, strict=True)):
        at = (-channel.y_mm, channel.z_mm)
        made.circle("sensor holes", at, plate.sensor)
        made.circle("light openings", at, opening)
        made.say("numbers", (at[0], at[1] + plate.sensor / 2 + 1), str(number), 1.8)
    for y, z in plate.body_screws:
        made.circle("body screws", (-y, z), plate.screw)
    for y, z in plate.bed_screws:
        made.circle("bed screws", (-y, z), plate.screw)
    if plate.cable_slot is not None:
        (y1, z1), (y2, z2) = plate.cable_slot
        made.box("cable slot", (-y2, z1), (-y1, z2))
    for k, line in enumerate(notes(plate, workshop)):
        made.say("notes", (-plate.half_y, -plate.half_z - 6 - 4.5 * k), line, 2.5)
    return made


def notes(plate: Carrier, workshop: Workshop) -> list[str]:
    """What the drawing cannot show, one sentence a line."""
    return [
        "Seen from behind, the side the sensors go in: +y is on the left, the pole is up.",
        f"Plate {plate.thickness:.2f} mm thick, matt black and opaque.",
        (
            f"Sensor holes {plate.sensor:.2f} mm, {workshop.sensor_depth_mm:.2f} mm deep from this "
            f"side; light openings through the last {plate.baffle:.2f} mm."
        ),
        (
            f"Body screws {plate.screw:.2f} mm: drill the body {workshop.screw_depth_mm:.1f} mm "
            "deep and no deeper, as narrow as the screw's thread asks, with the plate as jig."
        ),
        f"Bed screws {plate.screw:.2f} mm into the cheeks, heads sunk on the body's side.",
        *plate.remarks,
    ]
