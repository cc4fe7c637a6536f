"""Numbers, times and sentences as the screens write them. Formatting only: what is met or not comes with the view."""

from __future__ import annotations

from monitor.judging.case.trial import ConditionResult, Trial
from monitor.study.band import Band

MINUS = "−"

NO_BREAK = "\u00a0"
"""A blank at which `canvas.wrap` does not break; it is drawn as a blank."""

NO_ALERT = "not stated"
"""What judging calls the alert of a trigger for which the study states none."""

MASKED = "masked"
STALE = "stale"
BEHIND = "behind"


def clock(t_s: float | None, *, tenths: bool = True) -> str:
    """Seconds as "3:12.4" or "1:03:12.4"; "–:––" where there is none."""
    if t_s is None:
        return "–:––"
    sign = MINUS if t_s < 0 else ""
    whole = int(abs(t_s) * 10 + 1e-6)
    seconds, tenth = divmod(whole, 10)
    minutes, second = divmod(seconds, 60)
    hours, minute = divmod(minutes, 60)
    tail = f"{second:02d}" + (f".{tenth}" if tenths else "")
    return sign + (f"{hours}:{minute:02d}:{tail}" if hours else f"{minute}:{tail}")


def decimals(value: float, unit: str) -> int:
    """How many decimals a value of this unit is worth on a screen."""
    size = abs(value)
    if unit in ("", "1", "bool") and float(value).is_integer():
        return 0
    if unit in ("km/h", "°"):
        return 0 if size >= 10 else 1
    if unit == "m/s":
        return 1
    return 2 if size < 10 else 1 if size < 100 else 0


def value_text(value: float, unit: str) -> str:
    """A value without its unit, with a true minus sign and never "−0.00"."""
    text = f"{value:.{decimals(value, unit)}f}"
    if float(text) == 0:
        return text.lstrip("-")
    return text.replace("-", MINUS)


def with_unit(value: float, unit: str) -> str:
    """A value and its unit."""
    return f"{value_text(value, unit)} {unit}".rstrip()


def band_text(band: Band, unit: str) -> str:
    """A band with the digits that its unit has on the screen: "1.80 to 2.20 s", "at least 4.00 s"."""
    return band.words(unit, lambda edge: value_text(edge, unit))


def condition_value(condition: ConditionResult) -> str:
    """The value with its unit, or the word for why there is none."""
    if condition.value is None:
        return condition.state or "not measured"
    return with_unit(condition.value, condition.unit)


def margin_text(condition: ConditionResult) -> str:
    """The margin with its sign: "+0.12" inside, "−0.41" outside, "" where there is none."""
    if condition.margin is None:
        return ""
    text = value_text(condition.margin, condition.unit)
    return text if text.startswith(MINUS) else f"+{text}"


def condition_sentence(condition: ConditionResult) -> str:
    """The condition, the value and the band in one sentence."""
    band = band_text(condition.band, condition.unit)
    said = f"{condition.name} {condition_value(condition)}, band {band}"
    if condition.result == "not met" and condition.margin is not None:
        said += f": out by {with_unit(abs(condition.margin), condition.unit)}"
    elif condition.result == "undecided" and condition.open:
        said += ", window still open"
    # a number and its unit stay on one line
    return said.replace(f" {condition.unit}", f"{NO_BREAK}{condition.unit}") + "." if condition.unit else said + "."


def verdict_sentences(trial: Trial) -> list[str]:
    """Why the verdict is what it is, the deciding sentence first."""
    required = [one for one in trial.conditions if one.required]
    not_met = [condition_sentence(one) for one in required if one.result == "not met"]
    undecided = [condition_sentence(one) for one in required if one.result == "undecided"]
    void = [one.sentence for one in trial.findings if one.severity == "void"]
    doubtful = [one.sentence for one in trial.findings if one.severity == "doubtful"]
    if trial.fired_at is None and trial.timing.result in ("missed", "not reached"):
        never = "held and no marker came" if trial.timing.result == "missed" else "never held in this drive"
        return [f"Never fired: what fires it {never}.", *void]
    if trial.verdict == "invalid":
        return not_met + void or ["Judged invalid."]
    if trial.verdict == "undecided" and trial.stage not in ("armed", "fired"):
        return undecided + doubtful or ["Judged undecided."]
    met = sum(one.result == "met" for one in required)
    open_count = sum(one.open for one in required)
    counted = f"{met} of {len(required)} conditions met"
    if trial.stage in ("armed", "fired"):
        return [f"{counted}, {open_count} still open." if open_count else f"{counted}, windows still open."]
    said = [f"All {len(required)} conditions met" if met == len(required) else counted]
    if trial.alert.result not in ("not known", "open", NO_ALERT):
        said.append(f"alert {trial.alert.result}")
    if trial.timing.result != "not stated":
        said.append(f"fired {trial.timing.result}")
    return [", ".join(said) + "."]


def verdict_word(trial: Trial) -> str:
    """What the large word says of a trial: FIRED until something is certain (only "invalid" is before the end)."""
    if trial.stage in ("armed", "fired") and trial.verdict != "invalid":
        return "FIRED"
    return trial.effective.upper()


def trial_time(trial: Trial) -> str:
    """When a trial fired, where that may be told, or that it did not."""
    if trial.fired_at is not None:
        return "fired" if trial.told_fired_at is None else clock(trial.told_fired_at)
    return trial.timing.result if trial.timing.result in ("missed", "not reached") else "not fired"


def minutes_text(minutes: float | None, *, short: bool = False) -> str:
    """Disk time left as "41 min", "6 h 52 min" (short: "6.8 h") or "31 h"; "" where it is not known.

    More than four days are no news: a feed that has stopped fills no disk.
    """
    if minutes is None:
        return ""
    whole = int(minutes)
    if whole < 120:
        return f"{whole} min"
    if whole >= 6000:
        return "over 99 h"
    if whole >= 600:
        return f"{whole // 60} h"
    return f"{whole // 6 / 10:.1f} h" if short else f"{whole // 60} h {whole % 60} min"
