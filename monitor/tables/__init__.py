"""Files written by hand as TOML: their tables of keys, and a checker that names every fault of a file at once."""
