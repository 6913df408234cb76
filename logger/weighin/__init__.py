"""The weigh-in: hands-free flow, placements, ledger, plan."""
