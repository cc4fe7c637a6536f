"""Trials on their way: from a trigger that is waited for to a trial that nothing can change any more."""
