"""One self-contained page on a run or a study, with pictures of our own, for a sponsor, a paper or the folder."""
