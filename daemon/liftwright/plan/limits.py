"""Which motion limits hold: in goes what the printer entry states and the job's own limit commands, out come numbers.

Three models of cornering are known, named after the value the firmware's configuration asks for:

- `square_corner`: the speed at which a right-angled corner may be taken; the firmware has one acceleration, limits of
  Z and of the extruder alone, and a limit on steps of the extruder's speed.
- `junction_deviation`: the distance by which the path could cut the corner; limits of every axis.
- `axis_jerk`: the step of speed that each axis may make; limits of every axis.

Rules:

1. What the printer entry states holds. What it leaves open is taken from the commonest values of published firmware
   sample configurations, and `assumed` names each such value.
2. The job's own limit commands change them on the way: `limit_commands.py`.
3. Unknown names and values that are not positive are refused.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import inf, isfinite, sqrt
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

SQUARE_CORNER, JUNCTION_DEVIATION, AXIS_JERK = "square_corner", "junction_deviation", "axis_jerk"
MODELS = (SQUARE_CORNER, JUNCTION_DEVIATION, AXIS_JERK)

# Columns of the vector that the kernels read.
(
    L_MODEL, L_SPEED, L_BEAD, L_TRAVEL, L_RETRACT,
    L_VX, L_VY, L_VZ, L_VE, L_AX, L_AY, L_AZ, L_AE, L_JX, L_JY, L_JZ, L_JE,
    L_DEVIATION, L_E_STEP, L_CRUISE, L_FEED_FACTOR, L_E_FACTOR, L_ARC_LONG, L_ARC_SHORT, L_ARC_TURN,
    L_FW_MM, L_FW_BACK, L_FW_FORTH, N_LIMITS,
) = range(29)  # fmt: skip

# The commonest values of published firmware sample configurations, and where nobody configures them, the defaults.
_SHARED = {"speed_z": 5.0, "accel_z": 100.0}
COMMONEST: Mapping[str, Mapping[str, float]] = MappingProxyType(
    {
        # Klipper, config/printer-*.cfg at commit 84104bbb: 300 mm/s in 71 of 108, 3000 mm/s² in 50, corner left at its
        # default of 5 mm/s in 99, Z (5, 100) in 46 of 98. The extruder alone is not counted: 80 mm/s is about what the
        # firmware works out for 300 mm/s and a 0.4 mm nozzle (from memory), its acceleration that of the head. No share
        # of a move is kept for cruising unless somebody says so, though that firmware's own default is 0.5: times are
        # then up to some per cent short.
        SQUARE_CORNER: MappingProxyType(
            {
                "speed": 300.0, "accel": 3000.0, "travel_accel": 3000.0, "speed_e": 80.0,
                "accel_e": 3000.0, "square_corner": 5.0, "extruder_corner": 1.0, "minimum_cruise": 0.0,
                "fw_retract": 0.0, "fw_retract_speed": 20.0, "fw_prime_speed": 10.0, **_SHARED,
            }
        ),
        # Marlin sample configurations at commit 25e9ab23: stock DEFAULT_MAX_FEEDRATE {300, 300, 5, 25},
        # DEFAULT_MAX_ACCELERATION {3000, 3000, 100, 10000}, 3000 mm/s² for print, retract and travel; 0.013 mm in 141
        # files; firmware retraction 3 mm at 45 mm/s in 367 of 376, back at 8 mm/s.
        JUNCTION_DEVIATION: MappingProxyType(
            {
                "accel": 3000.0, "travel_accel": 3000.0, "retract_accel": 3000.0, "speed_x": 300.0, "speed_y": 300.0,
                "speed_e": 25.0, "accel_x": 3000.0, "accel_y": 3000.0, "accel_e": 10000.0, "deviation": 0.013,
                "fw_retract": 3.0, "fw_retract_speed": 45.0, "fw_prime_speed": 8.0, **_SHARED,
            }
        ),
        # The same; jerk X 10, Y 10, E 5 mm/s by default, Z 0.3 in 278 files.
        AXIS_JERK: MappingProxyType(
            {
                "accel": 3000.0, "travel_accel": 3000.0, "retract_accel": 3000.0, "speed_x": 300.0, "speed_y": 300.0,
                "speed_e": 25.0, "accel_x": 3000.0, "accel_y": 3000.0, "accel_e": 10000.0, "jerk_x": 10.0,
                "jerk_y": 10.0, "jerk_z": 0.3, "jerk_e": 5.0,
                "fw_retract": 3.0, "fw_retract_speed": 45.0, "fw_prime_speed": 8.0, **_SHARED,
            }
        ),
    }
)  # fmt: skip

NAMES = frozenset().union(*COMMONEST.values()) | {"speed", "speed_x", "speed_y", "accel_x", "accel_y"}
MAY_BE_ZERO = frozenset({"minimum_cruise", "fw_retract"})


@dataclass(frozen=True, slots=True)
class Limits:
    """The limits that hold at one point of a job: mm, mm/s, mm/s²; inf where the model's firmware knows no such limit.

    `values` holds the names of `NAMES`; `assumed` those taken from sample configurations; `from_job` those the job
    itself set; `z_speed` and `z_accel` are ceilings of the printer entry that no job command raises (inf: none).
    """

    model: str
    values: Mapping[str, float]
    assumed: frozenset[str] = frozenset()
    from_job: frozenset[str] = frozenset()
    z_speed: float = inf
    z_accel: float = inf
    feed_factor: float = 1.0
    e_factor: float = 1.0
    _vector: list[NDArray[np.float64]] = field(default_factory=list, compare=False, repr=False)

    def get(self, name: str) -> float:
        """The value of one limit; inf where none holds."""
        return self.values.get(name, inf)

    def vector(self) -> NDArray[np.float64]:
        """The limits as the kernels read them (columns L_*)."""
        if not self._vector:
            self._vector.append(_vector(self))
        return self._vector[0]

    def key(self) -> tuple[bytes, frozenset[str], frozenset[str]]:
        """Equal for equal limits."""
        return self.vector().tobytes(), self.assumed, self.from_job


def limits_from(stated: Mapping[str, float], model: str | None = None) -> Limits:
    """The limits at the start of a job, from what the printer entry states (names of `NAMES`, mm, mm/s, mm/s²).

    `model` None takes `square_corner` at its default, what 99 of 108 sample configurations of that firmware leave as it
    is, and says so among `assumed` (as "cornering"). A stated acceleration stands for the others that are not stated.
    """
    assumed = set() if model else {"cornering"}
    model = model or SQUARE_CORNER
    if model not in MODELS:
        raise ValueError(f"cornering is {model!r}; known are {', '.join(MODELS)}")
    for name, value in stated.items():
        _refuse_impossible(name, value)
    values = dict(stated)
    if model == SQUARE_CORNER:
        _one_for_all(values)
    for name, value in COMMONEST[model].items():
        if name in values:
            continue
        if name == "travel_accel" and "accel" in stated:
            values[name] = values["accel"]
            continue
        values[name] = value
        assumed.add(name)
    return Limits(
        model, MappingProxyType(values), frozenset(assumed), frozenset(),
        stated.get("speed_z", inf), stated.get("accel_z", inf),
    )  # fmt: skip


def _refuse_impossible(name: str, value: float) -> None:
    if name not in NAMES:
        raise ValueError(f"no limit is called {name!r}")
    if name == "minimum_cruise" and not 0 <= value < 1:
        raise ValueError(f"{name} is {value}; wanted at least 0 and below 1")
    if not isfinite(value) or value < 0 or (value == 0 and name not in MAY_BE_ZERO):
        raise ValueError(f"{name} is {value}; wanted a positive number")


def _one_for_all(values: dict[str, float]) -> None:
    """The square-corner firmware has one acceleration for beads and travels, and one speed for X and Y."""
    if "accel" not in values and "travel_accel" in values:
        values["accel"] = values["travel_accel"]
    planar = [values[name] for name in ("speed_x", "speed_y") if name in values]
    if "speed" not in values and planar:
        values["speed"] = max(planar)


def _vector(limits: Limits) -> NDArray[np.float64]:
    square = limits.model == SQUARE_CORNER
    out = np.empty(N_LIMITS)
    out[L_MODEL] = MODELS.index(limits.model)
    out[L_SPEED] = limits.get("speed")
    out[L_BEAD], out[L_TRAVEL] = limits.get("accel"), limits.get("travel_accel")
    # The firmware with one acceleration sets none but the extruder's own for the extruder alone.
    out[L_RETRACT] = inf if square else limits.get("retract_accel")
    for column, name in enumerate(("speed_x", "speed_y", "speed_z", "speed_e"), L_VX):
        out[column] = limits.get(name)
    for column, name in enumerate(("accel_x", "accel_y", "accel_z", "accel_e"), L_AX):
        out[column] = limits.get(name)
    for column, name in enumerate(("jerk_x", "jerk_y", "jerk_z", "jerk_e"), L_JX):
        out[column] = limits.get(name)
    out[L_DEVIATION] = limits.get("deviation")
    if square:
        out[L_DEVIATION] = deviation_of(limits.get("square_corner"), limits.get("accel"))
    out[L_E_STEP] = limits.get("extruder_corner")
    out[L_CRUISE] = limits.values.get("minimum_cruise", 0.0)
    out[L_FEED_FACTOR], out[L_E_FACTOR] = limits.feed_factor, limits.e_factor
    # Chords of an arc (published defaults): at most 1 mm; and with axis limits, 72 a circle but none below 0.1 mm.
    out[L_ARC_LONG], out[L_ARC_SHORT], out[L_ARC_TURN] = (1.0, 1.0, 1.0) if square else (1.0, 0.1, 72.0)
    out[L_FW_MM] = limits.values.get("fw_retract", 0.0)
    out[L_FW_BACK], out[L_FW_FORTH] = limits.get("fw_retract_speed"), limits.get("fw_prime_speed")
    return out


def deviation_of(square_corner: float, accel: float) -> float:
    """The junction deviation in mm that takes a right angle at `square_corner` mm/s: v²·(√2 − 1)/a.

    Klipper, klippy/toolhead.py at commit 84104bbb.
    """
    return square_corner * square_corner * (sqrt(2.0) - 1.0) / accel
