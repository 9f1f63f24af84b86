"""What every reading may be off: contributions, budgets, totals, common and private parts."""
