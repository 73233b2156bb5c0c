"""The guards over the kept past: walked as it went live, and as other limits would have gone."""
