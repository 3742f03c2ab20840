"""Food releases opened, joined, searched; what is published about foods and cooking; how sure each value is."""
