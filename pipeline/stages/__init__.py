"""The five stages. Each solves from measurements and settings; none touches pixels but the render."""
