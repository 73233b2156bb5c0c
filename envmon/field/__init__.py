"""Into the field: a first shop, certificates, what a machine needs to run a shop by itself."""
