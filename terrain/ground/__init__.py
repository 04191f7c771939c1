"""The ground of a site: surfaces by column, levels, and what stands or hangs over them."""
