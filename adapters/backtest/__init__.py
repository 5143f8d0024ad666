"""Rule sets held against many nights: recordings and stores, and what was true in them."""
