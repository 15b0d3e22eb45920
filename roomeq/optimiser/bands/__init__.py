"""Band gains: the problem, its search with a proof, reasons."""
