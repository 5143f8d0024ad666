"""What is learnt of a battery from the reports of its supply, as plain data of bounded size."""
