"""Whether a board is good enough, and what makes it better: cells, camber, gauge study, audit."""
