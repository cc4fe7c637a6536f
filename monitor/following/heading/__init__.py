"""What heads the screen: an ordered table of rules over a view, the first that applies."""
