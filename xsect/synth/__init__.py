"""Sections drawn from known geometry: the demo images and the truth bench."""
