"""What all views share: the frame of a page, who may do what, forms, lengths in mm or inches."""
