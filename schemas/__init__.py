"""What a valid row is: input kinds, core tables, marts, the shop file and profiles. Imports no other folder of ours."""
