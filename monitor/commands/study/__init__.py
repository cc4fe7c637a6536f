"""Commands about what was judged: trials, rulings, groups, and what is published of them."""
