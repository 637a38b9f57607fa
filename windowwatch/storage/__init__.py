"""Values to rows and back."""
