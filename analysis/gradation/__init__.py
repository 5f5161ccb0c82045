"""Does a set step evenly: measured lies, lofts and lengths, and neighbours laid sole to sole."""
