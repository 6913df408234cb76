"""What a person does with a ledger once it is written: look, name, correct, bring in, take out."""
