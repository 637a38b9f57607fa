"""Maps in, answers about points out."""
