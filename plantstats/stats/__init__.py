"""Formulas that know no plants."""
