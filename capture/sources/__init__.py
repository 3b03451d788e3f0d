"""Sources of samples; open_source picks one by its URL's scheme."""
