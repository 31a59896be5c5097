"""Appending to the column tables: rows, frames, the first error; kernels only, called by the reading kernels."""

import numpy as np

from liftwright.job.columns import (
    B_CODE,
    B_KIND,
    B_KNOWN,
    F_DE,
    F_FEED,
    F_VALUE,
    F_X,
    F_Y,
    F_Z,
    I_END,
    I_LINE,
    I_START,
    J_ARC,
    J_FRAME,
    J_LABEL,
    J_TOOL,
    J_WORDS,
    R_ABSOLUTE,
    R_SCALE,
    R_X,
    R_Y,
    R_Z,
    S_ABSOLUTE,
    S_E,
    S_E_PENDING,
    S_ERROR,
    S_ERROR_AT,
    S_ERROR_LINE,
    S_FEED,
    S_FRAMES,
    S_KNOWN,
    S_LABEL,
    S_LAST_IS_MACRO,
    S_LINE,
    S_OX,
    S_OY,
    S_OZ,
    S_ROWS,
    S_SCALE,
    S_TOOL,
    S_X,
    S_Y,
    S_Z,
    W_ODD,
    WALL,
    WALL_PAUSE,
    WALL_UNKNOWN,
)
from liftwright.kernels import inlined, kernel


@inlined
def add_row(
    kind: int, code: int, words: int, start: int, sf: np.ndarray, si: np.ndarray, fc: np.ndarray, ic: np.ndarray,
    jc: np.ndarray, bc: np.ndarray,
) -> int:  # fmt: skip
    """Append a row with the state as it stands; the caller fills what else is special to it."""
    r = np.uint64(si[S_ROWS])
    si[S_ROWS] += 1
    fc[F_X, r] = sf[S_X]
    fc[F_Y, r] = sf[S_Y]
    fc[F_Z, r] = sf[S_Z]
    fc[F_DE, r] = 0.0
    fc[F_FEED, r] = sf[S_FEED]
    fc[F_VALUE, r] = 0.0
    ic[I_LINE, r] = si[S_LINE]
    ic[I_START, r] = start
    ic[I_END, r] = start
    jc[J_WORDS, r] = words
    jc[J_ARC, r] = -1
    jc[J_FRAME, r] = si[S_FRAMES] - 1
    jc[J_LABEL, r] = si[S_LABEL]
    jc[J_TOOL, r] = si[S_TOOL]
    bc[B_KIND, r] = kind
    bc[B_CODE, r] = code
    bc[B_KNOWN, r] = si[S_KNOWN] & 7 == 7
    return int(si[S_ROWS]) - 1


@kernel
def add_frame(sf: np.ndarray, si: np.ndarray, frames: np.ndarray) -> None:
    """A new frame after a change of shift, units or positioning mode."""
    k = si[S_FRAMES]
    frames[R_X, k] = sf[S_OX]
    frames[R_Y, k] = sf[S_OY]
    frames[R_Z, k] = sf[S_OZ]
    frames[R_SCALE, k] = sf[S_SCALE]
    frames[R_ABSOLUTE, k] = si[S_ABSOLUTE]
    si[S_FRAMES] = k + 1


@inlined
def settle_e(sf: np.ndarray) -> None:
    """Add what was pushed relatively, kept in billionths, to the absolute E: sums of decimals stay decimals."""
    if sf[S_E_PENDING] != 0.0:
        sf[S_E] = (np.rint(sf[S_E] * 1e9) + sf[S_E_PENDING]) / 1e9
        sf[S_E_PENDING] = 0.0


@kernel
def fail(si: np.ndarray, error: int, at: int) -> None:
    if si[S_ERROR] == 0:
        si[S_ERROR] = error
        si[S_ERROR_LINE] = si[S_LINE]
        si[S_ERROR_AT] = at


@kernel
def wall(
    code: int, start: int, sf: np.ndarray, si: np.ndarray, fc: np.ndarray, ic: np.ndarray,
    jc: np.ndarray, bc: np.ndarray,
) -> None:  # fmt: skip
    si[S_KNOWN] = 0
    add_row(WALL, code, W_ODD, start, sf, si, fc, ic, jc, bc)
    si[S_LAST_IS_MACRO] = 1 if code == WALL_UNKNOWN or code == WALL_PAUSE else 0
