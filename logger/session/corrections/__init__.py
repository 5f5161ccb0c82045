"""What a person puts right afterwards: plain values in, one act kept, what was done in words out."""
