"""Audit of a supplier's package: do the pictures, the numbers and the sample support what is claimed?"""
