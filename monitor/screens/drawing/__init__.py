"""Characters, colours and words that every picture is made of."""
