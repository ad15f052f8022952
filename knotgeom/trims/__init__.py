"""For the game artist: a kit of trim pieces that fit each other within a triangle budget."""
