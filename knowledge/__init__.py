"""Knowledge of anaesthesia workstations, as data."""
