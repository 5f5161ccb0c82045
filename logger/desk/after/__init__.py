"""Did it help: this session against the last, what bends did, and the report."""
