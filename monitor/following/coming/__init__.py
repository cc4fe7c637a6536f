"""The coming trial: what will be of its conditions, how soon a driver could mend them, what is doubted already."""
