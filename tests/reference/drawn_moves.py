"""Jobs of random moves for the tests of motion: lengths from 0.01 to 80 mm, slopes, arcs, stops, changing limits."""

import random


def drawn_job(drawn: random.Random, lines: int) -> bytes:
    out = ["G90", "M83", "G1 X50 Y50 Z1 F3000"]
    x, y, z = 50.0, 50.0, 1.0
    for _ in range(lines):
        what = drawn.random()
        step = 10.0 ** drawn.uniform(-2.0, 1.9)
        x, y = round(x + drawn.uniform(-step, step), 3), round(y + drawn.uniform(-step, step), 3)
        if what < 0.05:
            out.append(f"G1 E{drawn.choice([-0.8, 0.8])} F{drawn.randint(100, 3000)}")
        elif what < 0.08:
            out.append(drawn.choice(["M204 S900", "M204 S4000", "M220 S130", "M220 S100", "M221 S95", "G4 P20"]))
        elif what < 0.12:
            out.append(f"G3 X{x} Y{y} I{x + 3} J{y - 2} E0.3")
        elif what < 0.25:
            z = round(z + drawn.uniform(-0.4, 0.4), 3)
            out.append(f"G0 X{x} Y{y} Z{z} F{drawn.randint(300, 12000)}")
        elif what < 0.3:
            out.append(f"G1 X{x} Y{y} E-0.05")
        else:
            out.append(f"G1 X{x} Y{y} E{round(step * drawn.choice([0.03, 0.06]), 5)}")
    return "\n".join([*out, ""]).encode()
