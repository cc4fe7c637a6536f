"""Published and hand-made sets of times with censoring."""

from __future__ import annotations

from monitor.reports.statistics.survival import Times


def times(text: str) -> Times:
    """Times as textbooks print them: "6 6+ 7", a plus for a censored one."""
    return Times.of((float(one.rstrip("+")), not one.endswith("+")) for one in text.split())


# Freireich et al. 1963, Blood 21:699-716: weeks in remission, 6-mercaptopurine against placebo (from memory)
MERCAPTOPURINE = times("6 6 6 6+ 7 9+ 10 10+ 11+ 13 16 17+ 19+ 20+ 22 23 25+ 32+ 32+ 34+ 35+")
PLACEBO = times("1 1 2 2 3 4 4 5 5 8 8 8 8 11 11 12 12 15 17 22 23")

# Miller 1981, Survival Analysis: acute myelogenous leukaemia, maintenance chemotherapy or not (from memory)
MAINTAINED = times("9 13 13+ 18 23 28+ 31 34 45+ 48 161+")
NOT_MAINTAINED = times("5 5 8 8 12 16+ 23 27 30 33 43 45")

# Three alerts, invented, horizon 4.0 s; the expected values were computed with another program
ALERT_A = times(".62 .71 .75 .80 .88 .93 1.05 1.22")
ALERT_B = times(".70 .84 .91 1.02 1.10 1.35 1.60 4.0+")
ALERT_C = times(".95 1.10 1.28 1.45 1.90 2.40 4.0+ 4.0+")

# Hollander & Wolfe 1973, Nonparametric Statistical Methods (data from memory): permeability of the human chorioamnion
# at term and at 12 to 26 weeks; half-times of mucociliary clearance of three kinds of subjects
PERMEABILITY = (
    times(".80 .83 1.89 1.04 1.45 1.38 1.91 1.64 .73 1.46"),
    times("1.15 .88 .90 .74 1.21"),
)
HALF_TIMES = (times("2.9 3.0 2.5 2.6 3.2"), times("3.8 2.7 4.0 2.4"), times("2.8 3.4 3.7 2.2 2.0"))
