"""From attempts, wherever they are kept, to comparisons: reading, grouping, and the words around a verdict."""
