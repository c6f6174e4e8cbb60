"""Acceptance criteria and the decision rule."""
