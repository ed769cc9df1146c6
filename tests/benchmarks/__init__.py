"""Speed claims: each script runs its rival side by side and prints a ratio."""
