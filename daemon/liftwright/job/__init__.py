"""What a G-code job says: bytes, words, moves, facts."""
