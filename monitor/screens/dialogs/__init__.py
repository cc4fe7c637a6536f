"""What opens over the watch screen: note box, ruling, trial card, lists, confirmations, help."""
