"""Drives of the other kinds of studies that laboratories run, each with a study file in configs/kinds/."""
