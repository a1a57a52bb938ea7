"""From the files people write to the ordered list of what will be measured. Pure but for reading files."""
