"""Pests that visits note: how often plants are found with them, whether they go round a site, what they foretell."""
