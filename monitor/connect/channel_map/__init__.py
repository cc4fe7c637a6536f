"""The channel map: how a foreign source's names, units, axes and codes become ours."""
