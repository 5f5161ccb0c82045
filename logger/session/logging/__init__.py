"""A run: which club is up, records -> contacts -> strikes, for one bay or several."""
