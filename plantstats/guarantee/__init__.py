"""What the replacement guarantee will cost: quotes, provision, back-test. Management estimates only.

`priced_quote.priced_quote(list, records, terms)` makes a quote with all that stands on its page;
`roll_forward.roll_forward` and `accounts.account_margins` look at running contracts; `renewal` and
`distribution` hold the mathematics.
"""
