"""What moves the bytes. Engines report what happened; they never retry, store, judge or print."""
