"""Lots: sections over time and over machines: charts, capability, the gauge itself. Knows measurements only."""
