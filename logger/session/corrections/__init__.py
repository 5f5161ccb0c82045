"""What a person puts right afterwards: plain values in, one act kept, its words out."""
