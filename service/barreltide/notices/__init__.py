"""How a notice reaches a person: whom to tell, by which ways, again and next, and the ways themselves."""
