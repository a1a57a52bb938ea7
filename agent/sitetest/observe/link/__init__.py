"""What the laptop's own radio says about its link: one reader for each operating system, one record for all of them."""
