"""Numbers out: bond, standoff, collapse, layers, and their uncertainty budgets."""
