"""What was hit: strikes and marks of a session, and the rub on the sole."""
