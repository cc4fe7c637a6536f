"""How many valid trials each group has, and why others were lost."""
