"""A preset as one kind of processor can hold it: translated, rounded together, losses named."""
