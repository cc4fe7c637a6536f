"""Screens draw a `LiveView` and post what the operator did. No measure is computed, no threshold compared here."""
