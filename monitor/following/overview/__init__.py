"""All runs that are recorded on this machine at a glance: what their writers tell, and nothing judged."""
