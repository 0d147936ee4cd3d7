"""A stretch of the line: evidence, what-ifs, pictures, and controls in a notebook."""
