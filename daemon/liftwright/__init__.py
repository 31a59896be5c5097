"""liftwright raises the travel moves of filament print jobs where something stands in the way, and proves the rest."""
