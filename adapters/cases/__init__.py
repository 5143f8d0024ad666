"""Cases from a store, and their reports."""
