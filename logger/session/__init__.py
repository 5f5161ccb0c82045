"""A fitting session: strikes filed under the club that was up, and what they say."""
