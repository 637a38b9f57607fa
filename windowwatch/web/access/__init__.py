"""Who comes in, and what they may see: tokens, links for guests, forms."""
