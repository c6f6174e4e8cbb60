"""Figures, tables and reports."""
