"""What follows from the image: levels, lumen, blood and metal edges."""
