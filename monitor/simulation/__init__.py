"""A synthetic drive, "dusk-road": seeded, with faults on demand, published over the real feed."""

from monitor.simulation.plan import SimulationPlan
from monitor.simulation.publishing import drive_messages, run_simulation
from monitor.simulation.scenarios import SCENARIOS
from monitor.simulation.steps import DriveStep

__all__ = ["SCENARIOS", "DriveStep", "SimulationPlan", "drive_messages", "run_simulation"]
