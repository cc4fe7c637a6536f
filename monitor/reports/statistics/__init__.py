"""Survival curves, rank and exact tests, intervals: pure, and checked against published values."""
