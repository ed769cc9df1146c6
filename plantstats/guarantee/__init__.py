"""What the replacement guarantee will cost: quotes, provision, back-test. Management estimates only."""
