// The interactive map.
