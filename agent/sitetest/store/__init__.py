"""What is kept: every attempt in SQLite, and the tidy tables made from it. Never imports engines or visit."""
