"""What brings stumbles out: the conditions of a day, compared at the stumbles and elsewhere."""
