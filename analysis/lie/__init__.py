"""All strikes of a session -> each club's lie error, with everything that makes it doubtful."""
