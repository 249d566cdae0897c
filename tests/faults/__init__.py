"""Files that are damaged, hostile or in motion, drawn with a seed and laid beside good ones."""
