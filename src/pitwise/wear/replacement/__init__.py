"""When to change a part: the age, or the depth, with the least expected cost."""
