"""What each listing holds, as a JSON Schema: types, units, meanings."""
