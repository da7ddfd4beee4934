"""Will the box land? What may be off, combined, against what the wagon catches."""
