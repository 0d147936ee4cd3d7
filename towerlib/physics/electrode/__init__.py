"""Earth electrodes: their shapes, their resistance in layered soil, and metal added to a measured footing."""
