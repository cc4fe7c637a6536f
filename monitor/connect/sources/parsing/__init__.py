"""Files of foreign formats, parsed in a process of their own that can do little else."""
