"""The plain way: one line at a time, a rise to the middle of every travel, nothing known of what stands there.

What the throughput of the package is measured against: `python tests/bench/plain_script.py IN OUT`. It keeps
position and modes, as it must to know a travel when it sees one; it proves nothing and refuses nothing.
"""

import sys


def lift(source, sink, height: float = 0.4) -> None:
    """Copy the text job, with a point in the middle of each travel `height` mm above its higher end."""
    at = {"X": 0.0, "Y": 0.0, "Z": 0.0, "E": 0.0}
    relative = {"X": False, "Y": False, "Z": False, "E": False}
    for line in source:
        words = line.partition(";")[0].upper().split()
        code = words[0] if words else ""
        if code in ("G0", "G1"):
            before = dict(at)
            for word in words[1:]:
                letter, value = word[0], float(word[1:])
                if letter in at:
                    at[letter] = at[letter] + value if relative[letter] else value
            moved = at["X"] != before["X"] or at["Y"] != before["Y"]
            if moved and at["E"] == before["E"] and not relative["X"]:
                middle = (before["X"] + at["X"]) / 2, (before["Y"] + at["Y"]) / 2
                sink.write(f"{code} X{middle[0]:.3f} Y{middle[1]:.3f} Z{max(before['Z'], at['Z']) + height:.3f}\n")
                kept = [word for word in words[1:] if word[0] != "Z"]
                line = " ".join([code, *kept, f"Z{at['Z']:.3f}"]) + "\n"
        elif code in ("G90", "G91"):
            relative = dict.fromkeys(relative, code == "G91") | {"E": relative["E"]}
        elif code in ("M82", "M83"):
            relative["E"] = code == "M83"
        elif code == "G92":
            at.update({word[0]: float(word[1:]) for word in words[1:]})
        sink.write(line)


if __name__ == "__main__":
    with open(sys.argv[1], encoding="latin-1") as source, open(sys.argv[2], "w", encoding="latin-1") as sink:
        lift(source, sink)
