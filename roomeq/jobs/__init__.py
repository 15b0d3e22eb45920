"""What a user asks for: check, join, propose, verify."""
