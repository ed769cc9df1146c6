"""What the replacement guarantee will cost: quotes, provision, back-test. Management estimates only.

`answer.quote(list, records, terms)` makes a quote with all that stands on its page; `provision.roll_forward`,
`margin.account_margins` and `swap_or_nurse` look at running contracts; `renewal` and `spread` hold the mathematics.
"""
