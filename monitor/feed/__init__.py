"""What arrives: the message schema, decoding and its limits, subscribing, publishing."""
