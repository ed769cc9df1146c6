"""Watering: how fast topsoil dries, how often to look, and which plants force the interval."""
