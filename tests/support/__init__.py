"""What tests of several folders share; a script's own helpers lie beside the script."""
