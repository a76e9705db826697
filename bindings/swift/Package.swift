// swift-tools-version:5.7
import PackageDescription

let package = Package(
    name: "Tickseam",
    platforms: [.iOS(.v13), .macOS(.v11)],
    products: [.library(name: "Tickseam", targets: ["Tickseam"])],
    targets: [
        // The C header of this repository, and libtickseam.a: README.md says how the linker finds it.
        .systemLibrary(name: "CTickseam", path: "Sources/CTickseam"),
        .target(name: "Tickseam", dependencies: ["CTickseam"]),
        .testTarget(name: "TickseamTests", dependencies: ["Tickseam"]),
    ]
)
