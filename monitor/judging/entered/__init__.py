"""What people entered: notes, calls, rulings, codings, and what becomes of a trial by them."""
