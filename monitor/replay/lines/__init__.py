"""How each condition stood in every frame: had the trigger fired here."""
