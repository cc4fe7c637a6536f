"""Pure: entries → columns → measures → conditions, timing, findings → trials. Opens nothing, sleeps never."""
