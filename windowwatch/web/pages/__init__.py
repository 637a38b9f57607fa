"""What the pages say, and how they are made."""
