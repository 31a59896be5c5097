"""Travels and a rule to lifts: which travels are raised, and the side view of each.

First come the thresholds that hold for every shape, then the shape. A travel is either given a profile or a reason;
nothing here touches bytes.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from liftwright.job.moves import Moves
from liftwright.kernels import kernel
from liftwright.plan.lane import N_QUEUE, N_STATE
from liftwright.plan.limits import Limits
from liftwright.plan.motion import LimitBook
from liftwright.plan.shapes import (
    FLAT,
    MAX_VERTICES,
    SAWTOOTH,
    SQUARE,
    TERRAIN,
    TRAPEZOID,
    TRIANGLE,
    flat,
    peak,
    square,
    trapezoid,
)
from liftwright.plan.slopes import SCRATCH, least_slope
from liftwright.plan.travels import (
    AT_WALL,
    FREE,
    LEFT_OUT,
    NO_ROOM,
    NOT_RETRACTED,
    NOTHING,
    OWN_KEPT,
    OWN_TALL,
    SHORT,
    Travels,
)

OWN_LIFT_MM = 0.01  # firmware documents count a raise from this height on
MIN_ROOM_MM = 0.005
NO_TEXT = np.zeros(0, np.uint8)
SAME_MM = 1e-6  # differences of decimals aren't exact in binary; those of a job differ by far more


@dataclass(frozen=True, slots=True)
class LiftTerms:
    """What the rule and the printer say, as plain numbers: mm, slopes as rise over run; the limits of the machine."""

    shape: int
    height: float
    min_travel: float
    lift_unretracted: bool
    first_layer: bool
    replace_own: bool
    own_lift_max: float
    max_slope: float
    between: tuple[float, float]
    layers: tuple[int, int]
    z_max: float
    limits: Limits


@dataclass(frozen=True, slots=True)
class Lifts:
    """Profiles of the travels of one window, as (s, z) vertices from at[i] to at[i + 1]; `reason` FREE where lifted."""

    at: NDArray[np.int64]
    s: NDArray[np.float64]
    z: NDArray[np.float64]
    reason: NDArray[np.int64]


def admit(travels: Travels, terms: LiftTerms, label_allowed: NDArray[np.bool_] | None) -> NDArray[np.int64]:
    """The reasons after the rule's thresholds: FREE for the travels that a shape may change."""
    reason = travels.reason.copy()

    def leave(those: NDArray[np.bool_], why: int) -> None:
        reason[(reason == FREE) & those] = why

    own = travels.top - np.maximum(travels.z0, travels.z1)
    low, high = terms.layers
    out = (travels.layer < low) | (travels.layer > high)
    out |= (travels.height < terms.between[0] - SAME_MM) | (travels.height > terms.between[1] + SAME_MM)
    if not terms.first_layer:
        out |= travels.layer <= 1
    if label_allowed is not None:
        out |= ~label_allowed
    if terms.shape != TERRAIN:
        # Only where something is known to stand in the way is it worth touching a gap in which tools are changed.
        leave(travels.to_tool == 1, AT_WALL)
    leave(out, LEFT_OUT)
    leave(own > terms.own_lift_max + SAME_MM, OWN_TALL)
    if not terms.replace_own:
        leave(own > OWN_LIFT_MM + SAME_MM, OWN_KEPT)
    leave(travels.length < terms.min_travel - SAME_MM, SHORT)
    if not terms.lift_unretracted:
        leave(travels.retracted == 0, NOT_RETRACTED)
    return reason


class FixedShapes:
    """Plans every admitted travel with one shape of fixed height, under the limits that the job has set by then."""

    def __init__(self, terms: LiftTerms) -> None:
        self._terms = terms
        self._queue, self._state = np.zeros((N_QUEUE, SCRATCH)), np.zeros(N_STATE)
        self._book = LimitBook(terms.limits)

    def plan(
        self, moves: Moves, travels: Travels, reason: NDArray[np.int64], text: NDArray[np.uint8] = NO_TEXT
    ) -> Lifts:
        """Profiles for the travels whose `reason` is FREE.

        text: the bytes that the window's limit commands point into.
        """
        t = self._terms
        sets, which = self._limits_of(moves, travels, text)
        room = MAX_VERTICES * len(travels) + 2 * len(moves) + 1
        at, s, z = np.empty(len(travels) + 1, np.int64), np.empty(room), np.empty(room)
        _plan_fixed(
            t.shape, t.height, t.max_slope, t.z_max, sets, which, self._queue, self._state, moves.x, moves.y, moves.z,
            travels.first, travels.last, travels.length, travels.z0, travels.z1, travels.top, travels.speed, reason, at,
            s, z,
        )  # fmt: skip
        return Lifts(at, s, z, reason)

    def _limits_of(
        self, moves: Moves, travels: Travels, text: NDArray[np.uint8]
    ) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
        """Sets of limits, and which of them holds at the start of each travel; only a trapezoid looks at them."""
        if self._terms.shape != TRAPEZOID or not len(text):
            return self._book.limits.vector()[None, :], np.zeros(len(travels), np.int64)
        sets, first, rows, chosen = self._book.follow(moves, text)
        return sets, np.concatenate([[first], chosen])[np.searchsorted(rows, travels.first)]


@kernel
def _plan_fixed(
    shape: int, height: float, max_slope: float, z_max: float, sets: np.ndarray, which: np.ndarray, queue: np.ndarray,
    state: np.ndarray,
    x: np.ndarray, y: np.ndarray, z: np.ndarray, first: np.ndarray, last: np.ndarray, length: np.ndarray,
    z0: np.ndarray,
    z1: np.ndarray, own_top: np.ndarray, speed: np.ndarray, reason: np.ndarray, at: np.ndarray, ss: np.ndarray,
    zs: np.ndarray,
) -> None:  # fmt: skip
    k = 0
    for i in range(len(first)):
        at[i] = k
        if reason[i] != FREE:
            continue
        base = max(z0[i], z1[i])
        top = min(base + height, z_max)
        if shape == FLAT:
            if own_top[i] - base <= OWN_LIFT_MM + SAME_MM:
                reason[i] = NOTHING
            else:
                k = flat(first[i], last[i], x, y, z, k, ss, zs)
        elif top - base < MIN_ROOM_MM:
            reason[i] = NO_ROOM
        elif shape == SQUARE:
            k = square(length[i], z0[i], z1[i], top, k, ss, zs)
        elif shape == TRIANGLE:
            k = peak(length[i], length[i] / 2, z0[i], z1[i], top, max_slope, k, ss, zs)
        elif shape == SAWTOOTH:
            k = peak(length[i], length[i], z0[i], z1[i], top, max_slope, k, ss, zs)
        elif shape == TRAPEZOID:
            slope = least_slope(length[i], top - z0[i], top - z1[i], speed[i], max_slope, sets[which[i]], queue, state)
            k = trapezoid(length[i], z0[i], z1[i], top, slope, max_slope, k, ss, zs)
    at[len(first)] = k
