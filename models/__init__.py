"""Pure numbers: drying, growth, the working day and its odds. numpy and the standard library, nothing else."""
