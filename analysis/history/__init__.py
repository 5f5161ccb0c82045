"""Week to week: what changed, the player, a club, or nothing."""
