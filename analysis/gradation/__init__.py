"""Whether a set steps evenly: measured lies, lofts and lengths, and neighbours laid sole to sole."""
