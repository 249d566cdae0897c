"""Sun, Moon, stars and air: where they stand, what they take and give."""
