"""What the replacement guarantee will cost: quotes, provision, back-test. Management estimates only.

`priced_quote.priced_quote(list, records, terms)` makes a quote with all that stands on its page;
`roll_forward.roll_forward`, `accounts.account_margins` and `nursing` look at running contracts; `renewal` and
`distribution` hold the mathematics.
"""
