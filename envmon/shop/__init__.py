"""The shop file: site, bays, points, products, procedures and limits."""
