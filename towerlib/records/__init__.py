"""From files as crews send them to clean tables; nothing lost on the way."""
