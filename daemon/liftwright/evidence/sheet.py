"""The sheet of a trial: what to print, what to look for, and how to stay fair; Markdown, the same for the same trial.

It never says which letter is which. What was foretold stands at its end in the order of the shapes' names, so that
whoever reads it early still can't tell the prints apart by it.
"""

from collections.abc import Sequence

from liftwright.evidence.trial_record import Arm, Trial


def sheet(trial: Trial, record_name: str, page_name: str | None, worst: Sequence[tuple[int, float | None]]) -> str:
    """The sheet. worst: number and height in mm of the layers in which the job, as it came, strikes most."""
    material = f", in {_text(trial.material)}" if trial.material else ""
    letters = [arm.letter for arm in trial.arms]
    files = "\n".join(f"| {arm.letter} | {_code(arm.file)} | `{arm.sha256[:12]}` |" for arm in trial.arms)
    return f"""# Trial {trial.trial}

{_code(trial.job_name)} for {_text(trial.printer)}{material}, as {len(trial.arms)} jobs.
They differ in their travels alone: each was proved to have the beads, the retractions and all other lines of the job
as it came.

| letter | file | first digits of its SHA-256 |
| --- | --- | --- |
{files}

The letters were drawn by lot from the job's own digest; nobody chose them. Which is which stands in
{_code(record_name)}: **don't open it before the last print is judged.** Who knows what to expect sees it. The jobs
carry no comment that would tell; their sizes may, so don't look at those either.

## Cautions

- A printer has parts that burn and parts that crush. Keep hands out of it while it is hot or moving.
- A printer can start a fire. Don't leave it unattended unless its maker says you may, and your smoke alarms, your
  insurer and local codes agree.
- Some of these jobs may strike the part; that is what is being tried. Watch each from the first layer, with a hand near
  the printer's stop.
- The machine's manual, local codes and qualified people have the last word.

## How to print them

1. Same machine, same nozzle, same spool, same place on the bed, dried filament, nothing else changed in between.
2. In the order {", ".join(letters)}. If you can print each twice, take {", ".join(reversed(letters))} the second time:
   a machine that gets warmer or dirtier then favours none.
3. Don't watch the clock or the nozzle to guess: the travels can be told apart by eye. Best let somebody else start the
   prints, take them off and write the letter underneath.

## What to look for

{_where(worst, page_name)}

Judge all prints side by side, in one light, underside hidden. For each letter:

| letter | stayed (yes or no) | strings (0 to 5) | finish (0 to 5) | minutes |
| --- | --- | --- | --- | --- |
{_form(letters)}

- **stayed**: no if the part came off, moved, or the nozzle knocked it audibly out of place; stop the print then.
- **strings**: threads between walls and across openings, from 0 (none) to 5 (a web). Count them where you can.
- **finish**: marks where travels cross the top, blobs where a lift begins, edges bent by the nozzle; from 0 (scrap) to
  5 (as good as it gets).
- **minutes**: from start to end, if you have them; they may stay empty.

Write down each letter's verdict before you look at the next one's, and hand it in:

{_hand_in(trial, letters)}

## After the last verdict

What was foretold, in the order of the shapes' names, **not of the letters**. As it came, the job takes
{trial.before.seconds:,.0f} s, and {trial.before.predicted_strikes} of its travels would strike the allowance for curled
edges, which is an assumption and not a prediction.

| shape | height, mm | travels rewritten | strikes foretold | added, s | above both ends of a travel, s | way of Z, mm |
| --- | --- | --- | --- | --- | --- | --- |
{_foretold(trial.arms)}
"""


def _where(worst: Sequence[tuple[int, float | None]], page_name: str | None) -> str:
    drawn = f" {_code(page_name)} shows the job as it came, layer by layer." if page_name else ""
    if not worst:
        return f"In no layer would a travel of the job, as it came, strike the allowance: look at strings.{drawn}"
    places = ", ".join(f"{number} (Z {z:g} mm)" if z is not None else str(number) for number, z in worst)
    return f"Most travels over curled edges are foretold in the layers {places}: look there for marks.{drawn}"


def _form(letters: Sequence[str]) -> str:
    return "\n".join(f"| {letter} |  |  |  |  |" for letter in letters)


def _hand_in(trial: Trial, letters: Sequence[str]) -> str:
    return (
        f"    liftwright verdict {trial.trial} --letter {letters[0]} --stayed yes --strings 2 --finish 4\n\n"
        f"or a file in `verdicts/` of the share with `job: {trial.trial}`, `letter: {letters[0]}`, `stayed: true`, "
        "`strings: 2`,\n`finish: 4`, a line each."
    )


def _foretold(arms: Sequence[Arm]) -> str:
    ordered = sorted(arms, key=lambda arm: (arm.shape, arm.height_mm or 0.0))
    return "\n".join(
        f"| {arm.shape} | {'–' if arm.height_mm is None else f'{arm.height_mm:g}'} | {arm.lifted} "
        f"| {arm.predicted_strikes} | {arm.added_s:+.1f} | {arm.air_s:.1f} | {arm.stroke_mm:.1f} |"
        for arm in ordered
    )


def _code(text: str) -> str:
    """A name as code: nothing in it is taken for a mark."""
    return "`" + text.replace("`", "'") + "`"


def _text(text: str) -> str:
    """An entry's name inside a sentence."""
    return "".join(f"\\{char}" if char in "\\`*_[]<>|#&" else char for char in text)
