"""What a heading, a unit, a word and a cell mean in the schema."""
