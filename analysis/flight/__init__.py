"""From degrees at impact to metres aside at carry."""
