"""From the picture to what a person reads: bend sheet, gradation, history, report."""
