"""What the made pages of docs are made from; ``python docs/make_tutorial.py`` fills them in."""
