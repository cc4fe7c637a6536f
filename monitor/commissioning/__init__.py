"""Before the participant: checking a feed, proposing a channel map, rehearsing, importing a past drive."""
