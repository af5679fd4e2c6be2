from baytrace.cli import main

main()
