"""How far the new hip moves: until the neck meets the liner's rim, and until bone meets bone."""
