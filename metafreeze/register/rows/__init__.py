"""Tables with named columns become rows of the schema, checked against each other."""
