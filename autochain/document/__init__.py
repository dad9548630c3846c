"""Pages that need nothing from elsewhere, and the charts on them."""
