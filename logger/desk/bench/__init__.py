"""One club at a time at the machine: pull, measure, next pull."""
